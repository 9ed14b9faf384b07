"""Watch the system calls of this process and its children: each request for a network socket is refused and kept.

Linux only. A filter of the kernel (seccomp) hands each call of ``socket`` with a network's family to a thread here,
whatever library makes it, so nothing can ask without being seen. Filter and structures: man pages seccomp(2) and
seccomp_unotify(2).
"""

from __future__ import annotations

import ctypes
import errno
import os
import platform
import socket
import struct
import threading

NETWORKS = (socket.AF_INET, socket.AF_INET6, socket.AF_PACKET)
"""Families that reach a network; AF_UNIX and AF_NETLINK stay on the machine."""
CALLS = {"x86_64": (0xC000003E, 41, 317), "aarch64": (0xC00000B7, 198, 277)}
"""By machine: its audit number, and the numbers of the calls ``socket`` and ``seccomp``."""
LOAD, EQUAL, RETURN = 0x20, 0x15, 0x06
NUMBER_AT, ARCH_AT, FAMILY_AT = 0, 4, 16
ALLOW, NOTIFY = 0x7FFF0000, 0x7FC00000
SET_MODE_FILTER, NEW_LISTENER, NO_NEW_PRIVILEGES = 1, 8, 38
RECEIVE, SEND = 0xC0502100, 0xC0182101
REQUEST_BYTES, FAMILY_IN_REQUEST = 80, 32


class Unwatchable(OSError):
    """This kernel or machine has no such filter."""


def program(arch: int, call: int) -> bytes:
    """The filter: ``socket`` with a network's family is notified, every other call is allowed."""
    families = [(EQUAL, len(NETWORKS) - number, 0, family) for number, family in enumerate(NETWORKS)]
    lines = [
        (LOAD, 0, 0, ARCH_AT), (EQUAL, 0, len(families) + 3, arch),
        (LOAD, 0, 0, NUMBER_AT), (EQUAL, 0, len(families) + 1, call),
        (LOAD, 0, 0, FAMILY_AT), *families,
        (RETURN, 0, 0, ALLOW), (RETURN, 0, 0, NOTIFY),
    ]  # fmt: skip
    return b"".join(struct.pack("HBBI", *line) for line in lines)


def watch() -> list[tuple[int, int]]:
    """From now on, process and family of each request for a network socket; the asking call gets EACCES.

    Raises Unwatchable.
    """
    if platform.machine() not in CALLS:
        raise Unwatchable(errno.ENOSYS, f"no filter for {platform.machine()}")
    arch, call, seccomp = CALLS[platform.machine()]
    libc = ctypes.CDLL(None, use_errno=True)
    code = program(arch, call)
    kept = ctypes.create_string_buffer(code, len(code))
    head = struct.pack("HxxxxxxP", len(code) // 8, ctypes.addressof(kept))
    libc.prctl(NO_NEW_PRIVILEGES, 1, 0, 0, 0)
    listener = libc.syscall(seccomp, SET_MODE_FILTER, NEW_LISTENER, head)
    if listener < 0:
        raise Unwatchable(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    asked: list[tuple[int, int]] = []
    threading.Thread(target=_refuse, args=(libc, listener, asked), daemon=True).start()
    return asked


def _refuse(libc: ctypes.CDLL, listener: int, asked: list[tuple[int, int]]) -> None:
    while True:
        request = ctypes.create_string_buffer(REQUEST_BYTES)
        if libc.ioctl(listener, ctypes.c_ulong(RECEIVE), request) < 0:
            if ctypes.get_errno() == errno.EINTR:
                continue
            return
        identity, pid = struct.unpack_from("QI", request)
        (family,) = struct.unpack_from("Q", request, FAMILY_IN_REQUEST)
        asked.append((pid, family))
        libc.ioctl(listener, ctypes.c_ulong(SEND), struct.pack("QqiI", identity, 0, -errno.EACCES, 0))
