"""
A virtual machine, for what a test cannot do to its own: pull the plug, turn the clock, have another kernel.

The guest runs a kernel package of Debian's in QEMU's emulation, sees this machine's files read-only (9P), and has one
disk of its own (ext4, at /mnt), whose image is a file here. Control groups of version 2 lie at /sys/fs/cgroup. What it
prints comes out of its serial line. Ending QEMU with SIGKILL is a power cut: what the guest's kernel had not handed to
its disk is gone, what it had is there.

Takes root (the host reads the disk's image by a loop mount), qemu-system-x86, busybox-static, kmod, cpio and e2fsprogs;
`apt-get download` fetches the kernel. Emulation is some ten to thirty times slower than this machine. 60 s to prepare.

Source: QEMU's "Invocation" (-virtfs, cache=writeback: what the guest flushed is in the host's file); the kernel's
Documentation/filesystems/9p.rst and driver-api/early-userspace/buffer-format.rst.
"""

from __future__ import annotations

import gzip
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

_MODULES = ("virtio_pci", "virtio_blk", "9p", "9pnet_virtio", "ext4", "crc32c_generic")
_INIT = """\
#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev
while read module; do insmod /lib/$module; done </lib/order
mount -t 9p -o trans=virtio,version=9p2000.L,msize=512000,cache=loose,ro root /host
mount -t ext4 /dev/vda /host/mnt
mount -t proc proc /host/proc; mount -t sysfs sys /host/sys; mount -t devtmpfs dev /host/dev
mkdir -p /host/dev/pts /host/dev/shm; mount -t devpts pts /host/dev/pts; mount -t tmpfs shm /host/dev/shm
mount -t tmpfs run /host/run
mount -t cgroup2 groups /host/sys/fs/cgroup
ip link set lo up
chroot /host /bin/sh /mnt/guest.sh
echo "guest: ended with $?"
sync; umount /host/mnt; poweroff -f
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Guest:
    """
    A machine that can be started again and again.

    Args:
        kernel: Its file.
        first_files: What the kernel unpacks and starts.
        disk: The image of the disk, whose content stays from start to start.
    """

    kernel: Path
    first_files: Path
    disk: Path

    @classmethod
    def prepare(cls, folder: Path, *, disk_bytes: int = 4 << 30) -> Guest:
        """Fetch a kernel and make a disk; `folder` is new or holds an earlier preparation, whose kernel is used."""
        folder.mkdir(exist_ok=True)
        release = _unpack_kernel(folder)
        first_files = _pack_first_files(folder, release)
        disk = folder / "disk.img"
        disk.unlink(missing_ok=True)
        with disk.open("wb") as stream:
            stream.truncate(disk_bytes)
        _run("mkfs.ext4", "-q", str(disk))
        return cls(kernel=folder / "kernel" / "boot" / f"vmlinuz-{release}", first_files=first_files, disk=disk)

    @contextmanager
    def mounted(self) -> Iterator[Path]:
        """Give the disk's files here, journal replayed as after a power cut; the guest must not be running."""
        place = self.disk.parent / "mounted"
        place.mkdir(exist_ok=True)
        _run("mount", "-o", "loop", str(self.disk), str(place))
        try:
            yield place
        finally:
            _run("umount", str(place))

    def start(self, script: str) -> subprocess.Popen[bytes]:
        """Boot, and have /bin/sh of this machine run a script; its output is on `stdout`, carriage returns included."""
        with self.mounted() as disk:
            (disk / "guest.sh").write_text(script)
        return subprocess.Popen(
            [
                *("qemu-system-x86_64", "-machine", "q35", "-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "2"),
                *("-m", "3072", "-display", "none", "-serial", "stdio", "-monitor", "none", "-no-reboot"),
                *("-net", "none", "-kernel", str(self.kernel), "-initrd", str(self.first_files)),
                *("-append", "console=ttyS0 quiet panic=-1"),
                *("-drive", f"file={self.disk},if=virtio,format=raw,cache=writeback"),
                *("-virtfs", "local,path=/,mount_tag=root,security_model=none,readonly=on,multidevs=remap"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )


def _unpack_kernel(folder: Path) -> str:
    """Give the release of the kernel that lies in folder/kernel."""
    if not (folder / "kernel").exists():
        depends = _run("apt-cache", "depends", "linux-image-amd64")
        (package,) = (line.split()[-1] for line in depends.splitlines() if "Depends: linux-image" in line)
        _run("apt-get", "download", "-q", package, folder=folder)
        (archive,) = folder.glob("linux-image-*.deb")
        _run("dpkg", "-x", str(archive), str(folder / "kernel"))
    (modules,) = (folder / "kernel" / "lib" / "modules").iterdir()
    _run("depmod", "-b", str(folder / "kernel"), modules.name)
    return modules.name


def _pack_first_files(folder: Path, release: str) -> Path:
    root = folder / "first"
    shutil.rmtree(root, ignore_errors=True)
    for name in ("bin", "lib", "proc", "sys", "dev", "host"):
        (root / name).mkdir(parents=True)
    shutil.copy("/bin/busybox", root / "bin")
    order: list[str] = []
    for module in _MODULES:
        needed = _run("modprobe", "-d", str(folder / "kernel"), "-S", release, "--show-depends", module)
        for path in (Path(line.split()[1]) for line in needed.splitlines() if line.startswith("insmod")):
            if path.name not in order:
                order.append(path.name)
                shutil.copy(path, root / "lib")
    (root / "lib" / "order").write_text("".join(f"{name}\n" for name in order))
    (root / "init").write_text(_INIT)
    (root / "init").chmod(0o755)
    names = "\n".join(str(path.relative_to(root)) for path in sorted(root.rglob("*")))
    packed = subprocess.run(
        ["cpio", "-o", "-H", "newc", "--quiet"], cwd=root, input=names.encode(), capture_output=True, check=True
    )
    first_files = folder / "first.gz"
    first_files.write_bytes(gzip.compress(packed.stdout, 1))
    return first_files


def _run(*command: str, folder: Path | None = None) -> str:
    return subprocess.run(command, cwd=folder, check=True, stdout=subprocess.PIPE, text=True).stdout
