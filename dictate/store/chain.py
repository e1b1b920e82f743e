"""The chain of events: each event's hash covers the one before it, so nothing can be altered unseen.

An event's content is covered through a salted hash of its own. Content and salt can therefore be removed together, when a
record is deleted, without breaking the chain and without leaving anything the content could be guessed from.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Any

from dictate.store.model import ChainHead
from dictate.store.words import written

START = ChainHead(0, "0" * 64)
"""The head of a chain without events."""


@dataclass(frozen=True)
class Link:
    """An event as it is stored. `payload` is JSON text; it and `salt` are None in a tombstone and once emptied."""

    seq: int
    record_id: str
    kind: str
    at: str
    by: str
    payload: str | None
    salt: str | None
    payload_hash: str
    prev_hash: str
    hash: str


def payload_hash(salt: str, payload: str) -> str:
    """The hash of an event's content; the salt is 64 hexadecimal digits."""
    return sha256(bytes.fromhex(salt) + payload.encode()).hexdigest()


def link_hash(link: Link) -> str:
    """The hash of an event: of everything but content and salt, written so that no two events look alike."""
    covered = [link.prev_hash, link.seq, link.record_id, link.kind, link.at, link.by, link.payload_hash]
    return sha256(json.dumps(covered, separators=(",", ":")).encode()).hexdigest()


def follow(
    head: ChainHead, *, record_id: str, kind: str, at: str, by: str, content: dict[str, Any] | None
) -> tuple[Link, ChainHead]:
    """The event that comes after `head`, and the head after it. A tombstone has no content."""
    payload = salt = None
    hashed = ""
    if content is not None:
        payload, salt = written(content), secrets.token_hex(32)
        hashed = payload_hash(salt, payload)
    bare = Link(head.seq + 1, record_id, kind, at, by, payload, salt, hashed, head.hash, "")
    link = replace(bare, hash=link_hash(bare))
    return link, ChainHead(link.seq, link.hash)


def faults(links: Iterable[Link], head: ChainHead | None) -> Iterator[str]:
    """What is wrong with a chain, in sentences; nothing if it is sound. `links` come by number."""
    last = START
    emptied: dict[str, int] = {}
    deleted: dict[str, int] = {}
    for link in links:
        yield from _gap(last.seq, link.seq)
        if link.seq == last.seq + 1 and link.prev_hash != last.hash:
            yield f"event {link.seq} does not follow the one before it"
        yield from _altered(link)
        if link.record_id in deleted:
            yield f"event {link.seq} belongs to a record that was deleted by event {deleted[link.record_id]}"
        if link.kind == "delete":
            deleted[link.record_id] = link.seq
        elif link.payload is None:
            emptied.setdefault(link.record_id, link.seq)
        last = ChainHead(link.seq, link.hash)
    for record_id, seq in emptied.items():
        if record_id not in deleted:
            yield f"the content of event {seq} is gone, and its record was not deleted"
    yield from _end(last, head)


def _gap(before: int, seq: int) -> Iterator[str]:
    missing = seq - before - 1
    if missing == 1:
        yield f"event {seq - 1} is missing"
    elif missing > 1:
        yield f"events {before + 1} to {seq - 1} are missing"
    elif missing < 0:
        yield f"event {seq} is there twice or out of order"


def _altered(link: Link) -> Iterator[str]:
    if link_hash(link) != link.hash:
        yield f"event {link.seq} was altered"
    if (link.payload is None) != (link.salt is None):
        yield f"event {link.seq} has lost a part of its content"
    elif link.payload is not None and link.salt is not None and not _content_fits(link.salt, link.payload, link):
        yield f"the content of event {link.seq} was altered"
    elif link.payload is not None and link.kind == "delete":
        yield f"event {link.seq} is a tombstone with content"


def _content_fits(salt: str, payload: str, link: Link) -> bool:
    try:
        return payload_hash(salt, payload) == link.payload_hash
    except ValueError:  # the salt is no longer hexadecimal
        return False


def _end(last: ChainHead, head: ChainHead | None) -> Iterator[str]:
    if head is None:
        yield "the head of the chain is gone"
    elif head.seq > last.seq:
        yield f"the end is cut off: event {last.seq} is the last, event {head.seq} was"
    elif head.seq < last.seq:
        yield f"event {last.seq} was added past the head of the chain, which is event {head.seq}"
    elif head.hash != last.hash:
        yield "the last event is not the one that the head of the chain names"
