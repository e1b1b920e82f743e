"""Notes read in several threads at once give the records that they give alone."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from threading import Barrier

from dictate import demo
from dictate.lexicon import load
from dictate.pipeline import read


def test_a_lexicon_that_is_new_to_several_threads_reads_the_same_in_each() -> None:
    names = demo.names()
    alone = [read(demo.note(name).text).to_dict() for name in names]
    for _ in range(3):
        fresh = replace(load(), cache={})
        start = Barrier(len(names))

        def one(name: str, fresh=fresh, start=start) -> dict:  # type: ignore[no-untyped-def,type-arg]
            start.wait()
            return read(demo.note(name).text, lexicon=fresh).to_dict()

        with ThreadPoolExecutor(len(names)) as pool:
            assert list(pool.map(one, names)) == alone
