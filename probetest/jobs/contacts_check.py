"""A log, and one from before a service if wanted, to the finding on the contacts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from probetest.errors import ReportError
from probetest.jobs.batch import Options, read_jobs
from probetest.jobs.contact_service import Service, service_of
from probetest.jobs.contacts import Contacts, against_earlier
from probetest.jobs.qualify import Qualification, qualify
from probetest.limits import Limits
from probetest.triggers import Stylus


@dataclass(frozen=True, slots=True)
class Checked:
    """The contacts of one serial.

    Attributes
    ----------
    serial : str
    contacts : Contacts
    service : Service or None
        Against the log from before, or against the baseline of the same log.
    """

    serial: str
    contacts: Contacts
    service: Service | None


def check_contacts(
    log: Path, before: Path | None, options: Options, advance: Callable[[int], None] = lambda _: None
) -> Checked:
    """Look at the contacts of the probe of a log.

    Parameters
    ----------
    log : pathlib.Path
    before : pathlib.Path or None
        Log of the same serial from before a service.
    options : Options
        How logs are read.
    advance : callable
        Called with the bytes read.

    Raises
    ------
    ProbetestError
        If a log can't be used, or the logs are of different serials.
    """
    found = _one(log, options, advance)
    if before is None:
        service = found.service
        return Checked(found.record.serial, found.contacts, service)
    earlier = _one(before, options, advance)
    if earlier.source.sha256 == found.source.sha256:
        raise ReportError(f"{before.name}: found the same log as {log.name}; name the one from before.")
    if earlier.record.serial != found.record.serial:
        raise ReportError(
            f"{before.name}: found serial {earlier.record.serial}, expected {found.record.serial} as in "
            f"{log.name}; name a log of the same probe."
        )
    if _other_stylus(found.record.stylus, earlier.record.stylus):
        why = "size of the curve against the earlier test, for the two logs state different styli"
        contacts = replace(found.contacts, notes=(*found.contacts.notes, why))
    else:
        contacts = against_earlier(found.contacts, earlier.contacts)
    return Checked(found.record.serial, contacts, service_of(earlier.contacts, contacts))


def _other_stylus(one: Stylus | None, other: Stylus | None) -> bool:
    if one is None or other is None:
        return False
    return any(
        first is not None and second is not None and first != second
        for first, second in (
            (one.length_mm, other.length_mm),
            (one.ball_diameter_mm, other.ball_diameter_mm),
        )
    )


def _one(log: Path, options: Options, advance: Callable[[int], None]) -> Qualification:
    jobs = read_jobs([log], options, advance)
    if len(jobs) != 1:
        raise ReportError(
            f"{log.name}: found {len(jobs)} serials, expected one; name it by --serial, or split the log."
        )
    return qualify(jobs[0].triggers, Limits())
