"""What all tests share.

One thread for numpy's small matrices, as on a board, in every test and in what it starts: several wait
busily for one another and for the other workers of the suite. Set before anything imports numpy. And a
template compiled once a process: hundreds of tests open a page's app of their own.
"""

from __future__ import annotations

import os
import sys
from types import CodeType

from flask import Flask
from jinja2.bccache import Bucket, BytecodeCache

assert "numpy" not in sys.modules, "it has read its number of threads already"
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


class CompiledOnce(BytecodeCache):
    """Compiled templates by name and by the checksum of their text."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, str], CodeType] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        bucket.code = self._known.get((bucket.key, bucket.checksum))

    def dump_bytecode(self, bucket: Bucket) -> None:
        assert bucket.code is not None
        self._known[bucket.key, bucket.checksum] = bucket.code


Flask.jinja_options = {**Flask.jinja_options, "bytecode_cache": CompiledOnce()}
