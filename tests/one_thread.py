"""Stops one thread of another process, as SIGSTOP can't (it stops them all); ptrace(2) can."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager

_SEIZE, _INTERRUPT, _DETACH, _WALL = 0x4206, 0x4207, 17, 0x40000000  # linux/ptrace.h, linux/wait.h
_libc = ctypes.CDLL(None, use_errno=True)
_libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
_libc.ptrace.restype = ctypes.c_long


def _ptrace(request: int, thread: int) -> None:
    if _libc.ptrace(request, thread, None, None) == -1:
        number = ctypes.get_errno()
        raise OSError(number, f"ptrace {request:#x} of thread {thread}: {os.strerror(number)}")


@contextmanager
def stopped(thread: int) -> Iterator[None]:
    """The thread of that kernel id stands still meanwhile; the others of its process go on.

    It may stand still with the interpreter's lock in its hand: then all Python threads wait for it.
    """
    _ptrace(_SEIZE, thread)
    _ptrace(_INTERRUPT, thread)
    os.waitpid(thread, _WALL)
    try:
        yield
    finally:
        _ptrace(_DETACH, thread)
