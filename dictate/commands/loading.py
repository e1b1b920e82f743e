"""The lexicon, loaded for a command."""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dictate.lexicon import Lexicon


def load_lexicon(folder: str | None) -> Lexicon:
    """The shipped lexicon with a user's folder; what is made on the way stays for the whole run and is no garbage."""
    from dictate.lexicon import load

    gc.disable()
    try:
        lexicon = load(folder)
        gc.freeze()
    finally:
        gc.enable()
    return lexicon
