"""The one place that knows how functions are compiled: machine code is kept on disk where that is allowed.

Numba takes kept code for current as long as the file of the function itself has not changed, whatever became of the
constants and functions that went into it. So the code is kept in a folder named by all that went in: a change of any
kernel compiles all of them anew (some 40 s of one core, once). The folder is made in `NUMBA_CACHE_DIR` if that is set,
else beside the source; where neither can be written each process compiles for itself.
"""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
from numba.core import config, types

F = TypeVar("F", bound=Callable[..., object])
HERE = Path(__file__).parent
INGREDIENTS = ("compiled.py", "fields.py", "model.py", "kernel_*.py")


def _digest() -> str:
    """What the compiled code is made of, in short."""
    found = hashlib.sha256()
    for file in sorted(file for pattern in INGREDIENTS for file in HERE.glob(pattern)):
        found.update(file.read_bytes())
    return found.hexdigest()[:16]


def forget_others(folder: Path) -> None:
    """Before code is kept in this folder for the first time, remove the code of other states of the sources beside it.

    A process that still runs on one of those keeps what it has loaded, and compiles what it has not.
    """
    if folder.exists():
        return
    for other in folder.parent.glob("kernels-*"):
        if re.fullmatch("kernels-[0-9a-f]{16}", other.name) and not other.is_symlink():
            shutil.rmtree(other, ignore_errors=True)


_folder = Path(getattr(config, "CACHE_DIR", "") or HERE / "__pycache__") / f"kernels-{_digest()}"
forget_others(_folder)
setattr(config, "CACHE_DIR", str(_folder))  # noqa: B010  numba's own module does not declare it


def compiled(function: F) -> F:
    """Compile on first use, and keep the code if there is a folder to keep it in.

    The function may make no arrays of its own: without the counting of references, which that would need, a call of one
    compiled function by another costs half.
    """
    return _made(function, counting=False)


def compiled_outer(function: F) -> F:
    """The same for a function that makes arrays, or parts of arrays."""
    return _made(function, counting=True)


def _made(function: F, *, counting: bool) -> F:
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy", "_nrt": counting}
    try:
        made = numba.njit(cache=True, **options)(function)
    except RuntimeError:                    # numba found no folder for its cache
        made = numba.njit(**options)(function)
    asked = made.get_call_template

    # a call with a constant would compile the function once more for that value: a fifth of all the work, for nothing
    def for_any_value(args: tuple[types.Type, ...], kws: dict[str, types.Type]) -> object:
        return asked(tuple(map(types.unliteral, args)), dict(zip(kws, map(types.unliteral, kws.values()), strict=True)))

    made.get_call_template = for_any_value
    return cast(F, made)
