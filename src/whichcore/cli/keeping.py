"""Keeping a sweep among the records while it runs: a row at its beginning, its file at its end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from whichcore.cli.options import store_option
from whichcore.cli.session import Session

F = TypeVar("F", bound=Callable[..., Any])


def keep_options(function: F) -> F:
    """Add ``--keep`` and ``--records``."""
    keep = click.option(
        "--keep",
        is_flag=True,
        help="Keep the core and its sweep among the records: a running sweep is listed there, too.",
    )
    return keep(store_option(function))


@contextmanager
def kept_sweep(session: Session, specimen: Path, out: Path, asked: dict[str, Any]) -> Iterator[None]:
    """Write the beginning of a sweep down, and take its file in once it has come to its end.

    A sweep that is stopped stays listed as not finished, until the same command has taken it up again.

    Raises
    ------
    RecordError
        The store cannot be used; nothing was measured yet.
    """
    if not asked["keep"] and asked["address"] is None:
        yield
        return
    from whichcore.records import (  # noqa: PLC0415 - the database is loaded only to keep
        begin_sweep,
        finish_sweep,
        keep_core,
        open_store,
    )

    settings = {key: asked[key] for key in ("flux_density", "drive", "calibration") if asked[key] is not None}
    with open_store(asked["address"]) as store:
        core = keep_core(store, specimen)
        begun = begin_sweep(store, out, core, settings)
    yield
    with open_store(asked["address"]) as store:
        kept = finish_sweep(store, begun)
        session.note(f"kept: sweep {kept[:8]} of core {core[:8]}, in {store.address}")
