"""Sending a virtual participant as live streams, from the terminal, until Ctrl-C."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

import typer


def send(protocol: str, folder: Path, seed: int, person: str, faults: Sequence[str], on_network: bool) -> None:
    """Send until Ctrl-C, and say in which way a session listens."""
    from decussa.compose.streams import invented_amplifier
    from decussa.source.virtual.stream_faults import read_faults

    known = read_faults(faults)
    with invented_amplifier(protocol, folder, seed=seed, hard=person, faults=known, on_network=on_network) as amplifier:
        typer.echo(f"Sending virtual participant {seed} as {amplifier.name}; this is nobody's EMG.")
        typer.echo(f"In another terminal: decussa run {folder} --participant V-{seed:04d} --source stream")
        typer.echo("Ctrl-C ends it.")
        try:
            given = 0
            while True:
                time.sleep(0.2)
                for number in amplifier.given[given:]:
                    typer.echo(f"  stimulus {number} is given")
                given = len(amplifier.given)
        except KeyboardInterrupt:
            typer.echo("Ended.")
