"""The environment of every process that tests and trials start: what a program needs, and nothing of the desktop.

A desktop names its display, its sound server and its message bus in the environment, and libraries write into it: an import
of pygame on a desktop sets the class of every window that this process or a child opens. What is to be found behind such a
name is started by whoever tries it, and named by them.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

_NAMES = frozenset(
    (
        *("PATH", "HOME", "USER", "LOGNAME", "SHELL", "TERM", "TZ", "CI"),
        *("TMPDIR", "TEMP", "TMP", "LANG", "LANGUAGE"),
        *("LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "VIRTUAL_ENV", "XDG_CACHE_HOME"),
        *("REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE", "NO_PROXY"),
        # Without these Windows starts no Python.
        *("SYSTEMROOT", "SYSTEMDRIVE", "WINDIR", "COMSPEC", "PATHEXT", "USERPROFILE", "APPDATA", "LOCALAPPDATA"),
        *("PROGRAMDATA", "PROGRAMFILES", "NUMBER_OF_PROCESSORS", "PROCESSOR_ARCHITECTURE"),
    )
)
_PREFIXES = ("LC_", "PYTHON", "PYTEST", "COVERAGE", "HYPOTHESIS", "NUMBA_", "PIP_", "SSL_CERT_", "RUFF_", "MYPY")
_SUFFIXES = ("_PROXY",)


def known_environment(source: Mapping[str, str]) -> dict[str, str]:
    """Return what of an environment a child may have.

    Parameters
    ----------
    source : mapping of str to str

    Returns
    -------
    dict of str to str

    Examples
    --------
    >>> known_environment({"PATH": "/bin", "DISPLAY": ":0", "LC_TIME": "C", "https_proxy": "http://quay"})
    {'PATH': '/bin', 'LC_TIME': 'C', 'https_proxy': 'http://quay'}
    """
    return {name: value for name, value in source.items() if _is_known(name.upper())}


def enter_known_environment() -> None:
    """Let this process, and with it every child that it starts from now on, have nothing but the known environment."""
    known = known_environment(os.environ)
    for name in os.environ.keys() - known.keys():
        del os.environ[name]


def _is_known(name: str) -> bool:
    return name in _NAMES or name.startswith(_PREFIXES) or name.endswith(_SUFFIXES)
