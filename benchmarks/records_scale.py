"""Searching 100,000 records against searching 1,000, in one run; what their file takes on the disk.

The gate is the ratio of the medians: 3 at most, for each question (a list, a rare text, a frequent one, a
kind, a page far down), search and count together as the page asks both.
"""

from __future__ import annotations

import argparse
import hashlib
import resource
import statistics
import sys
import tempfile
import time
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import insert

from whichcore.records import Kind, Question, Store, open_store
from whichcore.records.schema import KIND_TABLES, RECORD

FEW, MANY = 1_000, 100_000
LARGEST_RATIO = 3.0
REPEATS = 15


def filled(path: Path, count: int) -> Store:
    """Return a store of so many cores, entered at once."""
    store = open_store(str(path))
    records, cores = [], []
    for k in range(count):
        made = uuid.UUID(int=k * 7_919 + 1, version=4).hex
        payload = f"core {k}".encode() * 40
        begun = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=k)
        records.append(
            {
                "id": made,
                "kind": Kind.CORE.value,
                "created_at": begun.isoformat(timespec="microseconds"),
                "title": f"bin {k % 977} piece {k}",
                "payload": payload,
                "payload_name": ".toml",
                "size": len(payload),
                "sha256": hashlib.sha256(payload).hexdigest(),
                "program": "0",
                "settings": "{}",
                "corrects": None,
                "reason": "",
            }
        )
        cores.append({"id": made, "shape": "ring", "turns": k % 40 + 1})
    with store.transaction(writes=True) as connection:
        connection.execute(insert(RECORD), records)
        connection.execute(insert(KIND_TABLES[Kind.CORE]), cores)
    return store


def questions(store: Store, count: int) -> dict[str, Question]:
    """Return what is asked, by name."""
    middle = f"piece {count // 2}"
    return {
        "newest": Question(),
        "rare text": Question(text=middle),
        "frequent text": Question(text="bin 7"),
        "kind": Question(kind=Kind.CORE),
        "far page": Question(before=store.search(Question(text=middle))[0].id),
    }


def asked_ms(store: Store, question: Question) -> float:
    """Return the time of a search with its count."""
    start = time.perf_counter()
    store.search(question)
    store.count(question)
    return 1e3 * (time.perf_counter() - start)


def medians_ms(few: tuple[Store, Question], lots: tuple[Store, Question]) -> tuple[float, float]:
    """Return the times of two stores, asked in turn: a neighbour that disturbs, disturbs both."""
    rounds = [(asked_ms(*few), asked_ms(*lots)) for _ in range(REPEATS + 1)][1:]
    return statistics.median(pair[0] for pair in rounds), statistics.median(pair[1] for pair in rounds)


def main() -> int:
    """Print the table; 1 where a ratio is beyond its gate."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--many", type=int, default=MANY)
    many = parser.parse_args().many
    worst = 0.0
    with tempfile.TemporaryDirectory() as folder:
        sizes = {}
        stores = {}
        for count in (FEW, many):
            path = Path(folder) / f"{count}.sqlite"
            stores[count] = filled(path, count)
            sizes[count] = path.stat().st_size / 1e6
        asked = {count: questions(stores[count], count) for count in stores}
        print(f"{'question':>14}  {FEW:>10,}  {many:>10,}  ratio")
        for name in asked[FEW]:
            few, lots = medians_ms(*((stores[count], asked[count][name]) for count in (FEW, many)))
            worst = max(worst, lots / few)
            print(f"{name:>14}  {few:7.2f} ms  {lots:7.2f} ms  {lots / few:5.2f}")
        for store in stores.values():
            store.close()
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"file: {sizes[FEW]:.1f} and {sizes[many]:.1f} MB; memory of this process {memory:.0f} MB")
    print(f"worst ratio {worst:.2f}, allowed {LARGEST_RATIO:g}")
    return int(worst > LARGEST_RATIO)


if __name__ == "__main__":
    sys.exit(main())
