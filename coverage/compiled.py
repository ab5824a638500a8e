"""One typed door to numba: plain Python functions compiled to machine code, and kept on disk."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile `function` on first use; it releases the interpreter lock, so threads run it at once.

    The machine code is kept in ``__pycache__``; it is made anew when the function's own
    file changes, but *not* when a compiled function that it calls in another file does.
    """
    return cast(Function, numba.njit(cache=True, nogil=True)(function))
