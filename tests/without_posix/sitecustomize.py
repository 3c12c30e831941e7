"""Python without what Windows does not have. On PYTHONPATH, it takes hold in a program and in the processes it starts.

Hidden are the modules named, for everyone but the halves of libraries that another half replaces on Windows; the
functions named; and `select` takes sockets only. Not shown by this: what Windows does otherwise with files, consoles
and signals.
"""

import builtins
import os
import select
import signal
import socket

MODULES = {"termios", "fcntl", "pty", "tty", "resource", "pwd", "grp"}
POSIX_HALVES = {"asyncio.unix_events", "serial.serialposix"}
FUNCTIONS = {
    os: (
        "fork",
        "forkpty",
        "openpty",
        "ttyname",
        "sched_getaffinity",
        "getuid",
        "geteuid",
        "fchmod",
        "killpg",
        "setsid",
    ),
    signal: ("pthread_sigmask", "SIGHUP", "SIGQUIT", "SIGKILL", "SIGUSR1", "SIGALRM"),
}
_usual_import = builtins.__import__
_usual_select = select.select


def _import(name, globals=None, locals=None, fromlist=(), level=0):
    if level == 0 and name in MODULES and (globals or {}).get("__name__") not in POSIX_HALVES:
        raise ModuleNotFoundError(f"No module named {name!r} (hidden, as on Windows)", name=name)
    return _usual_import(name, globals, locals, fromlist, level)


def _select(reading, writing, exceptional, timeout=None):
    for each in (*reading, *writing, *exceptional):
        if not isinstance(each, socket.socket):
            raise OSError(10038, "an operation was attempted on something that is not a socket")
    return _usual_select(reading, writing, exceptional, timeout)


builtins.__import__ = _import
select.select = _select
for _module, _names in FUNCTIONS.items():
    for _name in _names:
        if hasattr(_module, _name):
            delattr(_module, _name)
