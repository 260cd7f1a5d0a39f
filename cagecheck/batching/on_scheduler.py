"""Jobs on an existing dask.distributed scheduler (the extra ``studio``).

The workers need cagecheck and must see the same files under the same paths. A worker that goes
away has its jobs done by another: a job writes only into its own asset's folder, whole files at a
time, so doing it twice does no harm.
"""

from __future__ import annotations

import asyncio
from asyncio import CancelledError
from collections.abc import Iterator, Sequence
from typing import Any

from cagecheck.batching.job import run_job
from cagecheck.batching.on_processes import failed_row
from cagecheck.errors import InputError

Job = dict[str, Any]
Row = dict[str, Any]

_CONNECT_SECONDS = 20
_GONE = (
    "the scheduler went away before it told the end of this asset. Start it again and run the "
    "batch again: what was done is kept."
)
_PLAIN = "Check the address, tcp://HOST:PORT."
_TLS = (
    "Check the address, tls://HOST:PORT, and the certificates that the settings of "
    "dask.distributed name (distributed.comm.tls)."
)


def run_on_scheduler(jobs: Sequence[Job], address: str) -> Iterator[Row]:
    """Run jobs on the scheduler's workers; yield rows as they come.

    Raises `InputError` when dask.distributed is not installed or the scheduler cannot be reached.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise InputError(
            "dask.distributed is not installed.", cure="pip install “cagecheck[studio]”."
        ) from error
    if not _is_scheduler(address):
        raise InputError(
            f"no scheduler answers at {address}.", cure=_TLS if _is_tls(address) else _PLAIN
        )
    with Client(address, timeout=_CONNECT_SECONDS, set_as_default=False) as client:
        futures = {client.submit(run_job, job, pure=False): job for job in jobs}
        left = dict(futures)
        try:
            for future in as_completed(futures, loop=client.loop):
                job = left.pop(future)
                try:
                    row = future.result() if future.status == "finished" else None
                except (OSError, CancelledError):  # it was done, but its answer is out of reach
                    yield failed_row(job, _GONE)
                    continue
                yield failed_row(job, _reason(future)) if row is None else row
        except (OSError, CancelledError, TimeoutError):
            pass
        # A scheduler that went away tells nothing of the rest.
        for job in left.values():
            yield failed_row(job, _GONE)


def _is_scheduler(address: str) -> bool:
    """Whether a scheduler answers at an address within a while.

    Asked before a client is made: one that finds none leaves a traceback when Python ends.
    """
    from distributed import Security, rpc

    async def ask() -> bool:
        # Certificates as the client takes them: from the settings of dask.distributed.
        given = Security().get_connection_args("client")
        async with rpc(address, timeout=_CONNECT_SECONDS, connection_args=given) as there:
            told = await asyncio.wait_for(there.identity(), _CONNECT_SECONDS)
        return bool(told["type"] == "Scheduler")

    try:
        return asyncio.run(ask())
    # Whatever else listens there answers anything, or nothing.
    except (OSError, ValueError, TypeError, KeyError, RuntimeError):
        return False


def _is_tls(address: str) -> bool:
    return address.lower().startswith("tls:")


def _reason(future: Any) -> str:
    if future.status in ("cancelled", "lost"):
        return _GONE
    error = future.exception()
    if type(error).__name__ == "KilledWorker":
        return (
            "every worker that took this asset went away, as they do when memory runs out. Give "
            "workers more memory, or split the asset."
        )
    return f"the worker ended with an error of its own: {type(error).__name__}: {error}"
