"""What a long command shows on a terminal while it runs; nothing where there is none."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.jobs.playlist import Dump

    PacketProgress = Callable[[Dump, int, int], None]


@contextmanager
def packet_progress(dumps: int) -> "Iterator[PacketProgress | None]":
    """Yield what shows which of `dumps` dumps is being played and how far it is."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    with Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.completed:,.0f} of {task.total:,.0f} packets", markup=False),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    ) as bar:
        task = bar.add_task("")
        seen: list[Dump] = []

        def show(dump: "Dump", packet: int, packets: int) -> None:
            if not seen or dump is not seen[-1]:
                seen.append(dump)
            description = f"dump {len(seen)} of {dumps}"
            bar.update(task, description=description, completed=packet, total=max(packets, 1))

        yield show
