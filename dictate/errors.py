"""Faults a user can meet, each with one plain sentence."""

from __future__ import annotations


class DictateError(Exception):
    """A fault that is told to the user in one sentence, without a traceback."""


class LexiconError(DictateError):
    """A lexicon file that cannot be used; the message lists every fault with its place."""


class NoteError(DictateError):
    """A note that cannot be read (binary, unknown encoding, missing file)."""
