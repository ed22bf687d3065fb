"""Many logs over several processes, or over a cluster."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from probetest.errors import ReportError
from probetest.faults import printable
from probetest.jobs.batch import Options
from probetest.jobs.made import Made, make_reports
from probetest.jobs.reading import Reading

FEW = 2
"""So few logs are done sooner than a further process has started."""


def work(
    logs: Sequence[Path], options: Options, *, pdf: bool, workers: int = 0, cluster: str | None = None
) -> Generator[list[Made], None, None]:
    """Reports in the order of the logs, made as processes are free; only a few wait to be taken.

    Parameters
    ----------
    logs : sequence of pathlib.Path
    options : Options
    pdf : bool
    workers : int
        Processes; 0 for one each processor.
    cluster : str or None
        Address of a Dask scheduler instead.

    Raises
    ------
    ReportError
        If there is no cluster, or a process was stopped from outside.
    """
    if len(logs) <= FEW and cluster is None:
        yield from (make_reports(log, options, pdf=pdf) for log in logs)
        return
    from joblib import Parallel, delayed
    from joblib.externals.loky.process_executor import TerminatedWorkerError

    # Another process may stand in another folder.
    options = replace(
        options,
        limits=options.limits.absolute() if options.limits else None,
        reading=Reading.from_plain(options.reading.plain()),
    )
    with _cluster(cluster):
        pool = Parallel(n_jobs=workers or -1, return_as="generator", batch_size=1, pre_dispatch="2*n_jobs")
        task = delayed(make_reports)
        try:
            yield from pool(task(log.absolute(), options, pdf=pdf) for log in logs)
        except TerminatedWorkerError as error:
            raise ReportError(
                "A process of the batch was stopped from outside, perhaps for want of memory; run the same "
                "command again to go on, with fewer --workers."
            ) from error


@contextmanager
def _cluster(address: str | None) -> Iterator[None]:
    if address is None:
        yield
        return
    try:
        from distributed import Client
        from joblib import parallel_config
    except ImportError as error:
        raise ReportError(
            "--cluster: found no Dask on this machine, expected it; pip install 'probetest[cluster]'."
        ) from error
    try:
        scheduler: Any = Client
        client = scheduler(address, timeout="10s")
    except (OSError, ValueError) as error:
        raise ReportError(f"--cluster {printable(address)}: no scheduler answers there.") from error
    with client, parallel_config("dask", client=client, wait_for_workers_timeout=30):
        yield
