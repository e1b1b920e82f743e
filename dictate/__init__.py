"""dictate: a dictated examination of eyes and cranial nerves, read into a structured record."""

from dictate.pipeline import read
from dictate.record import Derived, Entry, Evidence, Flag, Record

__all__ = ["Derived", "Entry", "Evidence", "Flag", "Record", "read"]
__version__ = "0.1.0"
