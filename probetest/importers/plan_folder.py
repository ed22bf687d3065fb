"""What `probetest plan` wrote: the touches, and what the test is made with."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from probetest.errors import ImportDataError
from probetest.faults import FaultList
from probetest.importers.plan import Plan, read_plan
from probetest.importers.told import About
from probetest.settings import read_settings

SETTINGS, TOUCHES = "plan.toml", "plan.csv"


class _PlanTable(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)

    version: Literal[1]
    purpose: str = Field(max_length=60)
    touches: int = Field(ge=1, le=1_000_000)
    looks: int = Field(ge=1, le=20)
    block_ends: list[int] = Field(min_length=1, max_length=20)
    risk: float = Field(gt=0, lt=0.5)
    two_stage: bool
    guarded: bool


class _PlanFile(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    plan: _PlanTable
    about: About


@dataclass(frozen=True, slots=True)
class PlanFolder:
    """A plan with what it states of the test.

    Attributes
    ----------
    plan : Plan
    about : About or None
        None where the plan is only a list of touches.
    """

    plan: Plan
    about: About | None


def read_plan_folder(path: Path) -> PlanFolder:
    """Read a plan: the folder of one, its ``plan.toml``, or a list of touches (CSV).

    Parameters
    ----------
    path : pathlib.Path

    Raises
    ------
    ImportDataError
        With all faults of a file, or where the list of touches beside ``plan.toml`` is another one.
    """
    settings = path / SETTINGS if path.is_dir() else path
    if settings.suffix.lower() != ".toml":
        return PlanFolder(read_plan(path), None)
    stated = read_settings(settings, _PlanFile, ImportDataError)
    plan = read_plan(settings.with_name(TOUCHES))
    faults = FaultList(str(settings))
    if len(plan) != stated.plan.touches:
        faults.add(
            f"touches = {stated.plan.touches}, where {plan.file} has {len(plan)}",
            "the list of touches that belongs to it",
            column="touches",
            action="plan the test again, or take both files from the same folder",
        )
    ends = stated.plan.block_ends
    if ends != sorted(set(ends)) or ends[-1] != stated.plan.touches or len(ends) != stated.plan.looks:
        faults.add(
            f"block_ends = {ends}",
            f"{stated.plan.looks} growing numbers, the last one {stated.plan.touches}",
            column="block_ends",
        )
    faults.raise_if_any()
    plan = replace(
        plan,
        looks=stated.plan.looks,
        block_ends=tuple(ends),
        two_stage=stated.plan.two_stage,
        guarded=stated.plan.guarded,
    )
    return PlanFolder(plan, stated.about)
