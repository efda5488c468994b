"""How every live source hands its samples over: never waiting, the oldest making room for the newest."""

from __future__ import annotations

import queue

from daemon.sources.contract import Sample, SampleQueue, SourceHealth

LARGEST_BATCH = 500
"""No list on the queue holds more samples, so that a bounded queue bounds memory."""


def hand_over(out: SampleQueue, samples: list[Sample], health: SourceHealth) -> None:
    """Put the samples on the queue in lists of at most 500, and note them in the health.

    A full queue loses its oldest lists, for what happens now matters more than what happened then; the source that
    needed the room counts the lost samples in ``health.dropped``, whoever sent them.
    """
    for at in range(0, len(samples), LARGEST_BATCH):
        batch = samples[at : at + LARGEST_BATCH]
        while True:
            try:
                out.put_nowait(batch)
                break
            except queue.Full:
                _drop_oldest(out, health)
        health.samples += len(batch)
        health.last_t = batch[-1].t


def _drop_oldest(out: SampleQueue, health: SourceHealth) -> None:
    try:
        lost = out.get_nowait()
    except queue.Empty:
        return  # the reader was quicker
    out.task_done()
    health.dropped += len(lost)
