# Starts a systemd that reaches nothing of this machine: namespaces of its own and a root in memory, into which
# programs are bound read-only. Without its own root it would empty /tmp, as it does at a boot: so nothing here
# may fail and go on.
#     under_systemd.sh FOLDER SECONDS     FOLDER has root/ (copied in), units/ and out/
set -eu
folder=$1
if [ "${2:-}" ]; then
    group=$(awk '$3 == "cgroup2" { print $2; exit }' /proc/mounts)/probe-agent-test-$$
    mkdir "$group"
    trap 'find "$group" -depth -type d -exec rmdir {} \; 2>/dev/null' EXIT
    timeout -s KILL "$2" sh -ec 'echo $$ >"$1/cgroup.procs"; shift; exec "$@"' - "$group" \
        unshare -m -p -f -C -u -i -n --kill-child=KILL sh "$0" "$folder" || true
    exit
fi
r=$folder/mnt
mkdir "$r"
mount --make-rprivate /
mount -t tmpfs tmpfs "$r"
cp -a "$folder/root/." "$r/"
cd "$r"
mkdir -p usr run tmp var/tmp proc sys dev home root old out opt/base opt/venv opt/src
for name in bin lib lib64 sbin; do ln -s usr/$name $name; done
bound() { mount --bind "$1" "$2"; mount -o remount,bind,ro "$2"; }
bound /usr usr
bound "$BASE" opt/base
bound "$VENV" opt/venv
bound "$SOURCE" opt/src
mount --bind "$folder/out" out
cp -L /etc/ld.so.cache etc/
chmod 1777 tmp var/tmp
mount -t tmpfs -o mode=755 tmpfs dev
mknod -m 666 dev/null c 1 3
mknod -m 666 dev/zero c 1 5
mknod -m 666 dev/full c 1 7
mknod -m 666 dev/random c 1 8
mknod -m 666 dev/urandom c 1 9
mkdir dev/pts dev/shm dev/mqueue dev/hugepages
mount -t devpts -o newinstance,ptmxmode=0666 devpts dev/pts
ln -s pts/ptmx dev/ptmx
ln -s /proc/self/fd dev/fd
mount -t tmpfs tmpfs dev/shm
mount -t proc proc proc
mount --bind proc/sys proc/sys
mount -o remount,bind,ro proc/sys
mount -t tmpfs -o mode=755 tmpfs sys # a mount of its own, else systemd lays the machine's over it
cp -a "$folder/root/sys/." sys/
mkdir -p sys/fs/cgroup sys/class
mount -t cgroup2 cgroup2 sys/fs/cgroup
mount -t tmpfs -o mode=755 tmpfs run
mount -t tmpfs tmpfs usr/lib/systemd/system
mount -t tmpfs tmpfs usr/lib/systemd/system-generators
for name in sysinit basic shutdown multi-user; do
    printf '[Unit]\nDefaultDependencies=no\n' >usr/lib/systemd/system/$name.target
done
pivot_root . old
umount -l /old
[ ! -e /old/usr ] # nothing of the machine is left
export container=test
exec /usr/lib/systemd/systemd --system --unit=test.target --log-target=console --show-status=no
