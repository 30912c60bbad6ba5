"""Join ES modules into one script: a page opened from the disk cannot import."""

from __future__ import annotations

import re
from collections.abc import Callable
from graphlib import CycleError, TopologicalSorter
from posixpath import dirname, join, normpath

__all__ = ["inlined", "order"]

_IMPORT = re.compile(r"^import \{([^}]*)\} from '([^']+)';\n", re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(const|function|async function|class) ([A-Za-z_$][\w$]*))", re.M)
_OTHER = re.compile(r"^(?:import|export)\b.*$", re.MULTILINE)


def order(entry: str, read: Callable[[str], str]) -> list[str]:
    """Return the modules that `entry` needs, each after those it imports, `entry` last.

    Parameters
    ----------
    entry : str
        Path of the module that starts the page.
    read : callable
        Returns a module's text for its path.

    Raises
    ------
    ValueError
        If modules import each other in a circle, or one asks for a name that the other does not
        export.
    """
    needs: dict[str, dict[str, list[str]]] = {}
    waiting = [entry]
    while waiting:
        path = waiting.pop()
        if path not in needs:
            needs[path] = _imports(path, read(path))
            waiting += needs[path]
    for path, imported in needs.items():
        for other, names in imported.items():
            missing = sorted(set(names) - set(_exports(read(other))))
            if missing:
                message = f"{path} imports {', '.join(missing)}, which {other} does not export"
                raise ValueError(message)
    try:
        return list(TopologicalSorter(needs).static_order())
    except CycleError as error:
        message = f"modules import each other: {' - '.join(error.args[1])}"
        raise ValueError(message) from error


def inlined(entry: str, read: Callable[[str], str]) -> str:
    """Return one script that does what the module `entry` does with all that it imports.

    Each module keeps a scope of its own and hands on what it exports; nothing reaches ``window``.
    Exports are constants, functions and classes, since a variable would be handed on by value.

    Parameters
    ----------
    entry : str
        Path of the module that starts the page.
    read : callable
        Returns a module's text for its path.

    Raises
    ------
    ValueError
        As `order`; or for a form of import or export that is not written as the others are.
    """
    listed = order(entry, read)
    held = {path: f"module{number}" for number, path in enumerate(listed)}
    parts = []
    for path in listed:
        text = read(path)
        imports = [
            f"const {{ {', '.join(names)} }} = {held[other]};"
            for other, names in _imports(path, text).items()
        ]
        names = _exports(text)
        body = _EXPORT.sub("", _IMPORT.sub("", text))
        strange = _OTHER.search(body)
        if strange:
            message = f"{path}: {strange.group()!r} is no import or export that can be joined"
            raise ValueError(message)
        head = "\n".join([f"// {path}", f"const {held[path]} = (() => {{", *imports])
        parts.append(f"{head}\n{body.rstrip()}\nreturn {{ {', '.join(names)} }};\n}})();")
    return "(() => {\n'use strict';\n" + "\n".join(parts) + "\n})();"


def _imports(path: str, text: str) -> dict[str, list[str]]:
    """Return module to names imported from it."""
    return {
        normpath(join(dirname(path), other)): [
            name.strip() for name in names.split(",") if name.strip()
        ]
        for names, other in _IMPORT.findall(text)
    }


def _exports(text: str) -> list[str]:
    return [found.group(2) for found in _EXPORT.finditer(text)]
