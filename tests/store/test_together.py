"""Several writers, in threads and in processes, leave one sound chain; a killed one loses nothing that was saved."""

from __future__ import annotations

import os
import signal
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from conftest import program

from dictate.store import Stale, Store, open_store

OWN_RECORD = """
import sys, time
import alembic.command
from dictate.store import open_store
time.sleep(max(0, float(sys.argv[4]) - time.time()))
with open_store(sys.argv[1]) as store:
    head = store.new(sys.argv[2])
    for number in range(int(sys.argv[3])):
        head = store.save_note(head.id, f"text {number}", head.revision, sys.argv[2])
        head = store.decide(head.id, {"id": f"d{number}"}, head.revision, sys.argv[2])
    print(head.id)
"""

UNTIL_KILLED = """
import itertools, sys
from dictate.store import open_store
store = open_store(sys.argv[1])
head = store.new("MK")
print(head.id, flush=True)
for number in itertools.count():
    head = store.save_note(head.id, f"text {number}", head.revision, "MK")
    head = store.decide(head.id, {"id": f"d{number}"}, head.revision, "MK")
    print(number, flush=True)
"""


def write(store: Store, who: str, times: int) -> str:
    head = store.new(who)
    for number in range(times):
        head = store.save_note(head.id, f"text {number}", head.revision, who)
        head = store.decide(head.id, {"id": f"d{number}"}, head.revision, who)
    return head.id


def check(store: Store, records: list[str], times: int) -> None:
    assert store.verify() == []
    assert len(set(records)) == len(records) == len(store.find())
    for record in records:
        assert store.load(record).text == f"text {times - 1}"
        assert [d["id"] for d in store.decisions(record)] == [f"d{n}" for n in range(times)]
    head = store.chain_head()
    assert head is not None
    assert head.seq == len(records) * (1 + 2 * times)


def test_threads_on_records_of_their_own(store: Store) -> None:
    with ThreadPoolExecutor(8) as pool:
        records = list(pool.map(lambda n: write(store, f"W{n}", 5), range(8)))
    check(store, records, 5)


def test_threads_on_one_record_are_told_apart(store: Store) -> None:
    record = store.new("MK").id

    def insist(who: int) -> int:
        stale = 0
        for number in range(5):
            while True:
                try:
                    store.decide(record, {"id": f"{who}.{number}"}, store.head(record).revision, f"W{who}")
                    break
                except Stale:
                    stale += 1
        return stale

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(insist, range(6)))
    assert sorted(d["id"] for d in store.decisions(record)) == sorted(f"{w}.{n}" for w in range(6) for n in range(5))
    assert store.head(record).revision == 31
    assert store.verify() == []


def test_programs_that_open_and_write_at_the_same_time(url: str) -> None:
    start = time.time() + 6  # when all are loaded
    writers = [program(OWN_RECORD, url, f"W{n}", 6, start) for n in range(3)]
    records = [writer.communicate(timeout=120)[0].strip() for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0, 0]
    with open_store(url) as store:
        check(store, records, 6)


@pytest.mark.skipif(os.name != "posix", reason="there is no such signal")
@pytest.mark.parametrize("after", [1, 7, 20])
def test_whoever_is_killed_loses_nothing_that_was_saved(url: str, after: int) -> None:
    writer = program(UNTIL_KILLED, url)
    assert writer.stdout is not None
    record = writer.stdout.readline().strip()
    for _ in range(after):
        writer.stdout.readline()
    os.kill(writer.pid, signal.SIGKILL)
    said = [after - 1, *map(int, writer.stdout.read().split())]
    writer.wait(timeout=60)
    last = said[-1]
    with open_store(url) as store:
        assert store.verify() == []
        loaded = store.load(record)
        decided = [d["id"] for d in loaded.decisions]
        assert decided[: last + 1] == [f"d{n}" for n in range(last + 1)]
        assert loaded.text in (f"text {last}", f"text {last + 1}")
        store.save_note(record, "after", loaded.head.revision, "MK")
        assert store.verify() == []


def test_readers_see_one_moment_while_others_write(store: Store) -> None:
    record = store.new("MK").id
    done = False

    def read() -> int:
        times = 0
        while not done:
            loaded = store.load(record)
            # each round saves the text n and then the decision n
            assert loaded.head.revision - 1 == 2 * len(loaded.decisions) + (loaded.text != _text(loaded.decisions))
            times += 1
        return times

    with ThreadPoolExecutor(3) as pool:
        readers = [pool.submit(read) for _ in range(3)]
        try:
            head = store.head(record)
            for number in range(15):
                head = store.save_note(record, f"text {number}", head.revision, "MK")
                head = store.decide(record, {"id": f"d{number}"}, head.revision, "MK")
        finally:
            done = True
        assert all(reader.result() for reader in readers)


def _text(decisions: tuple[dict[str, str], ...]) -> str:
    return f"text {len(decisions) - 1}" if decisions else ""
