"""Which version of the package this is."""

from __future__ import annotations


def installed_version() -> str:
    """Version of the installed package; ``unknown`` for a checkout that was never installed."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("flapsim")
    except PackageNotFoundError:
        return "unknown"
