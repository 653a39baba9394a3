"""What can be begun from the page: routines, and runs to go on with; and why something can't."""

from __future__ import annotations

from dataclasses import dataclass

from holdzero.page.posts import Done, Request, Resume, Start
from holdzero.page.snapshot import OpenRun, RoutineHere
from holdzero.plain_text import look_alike

__all__ = ["Offers", "unchoosable"]


@dataclass(frozen=True, slots=True)
class Offers:
    """What can be chosen: routines, runs to go on with, and the one that comes first."""

    routines: tuple[RoutineHere, ...]
    open_runs: tuple[OpenRun, ...]
    chosen: str = ""


def unchoosable(offers: Offers, request: Request) -> str:
    """Why a request can't be done while choosing; empty where it can."""
    match request:
        case Done():
            return ""
        case Resume(journal):
            known = any(run.name == journal for run in offers.open_runs)
            return "" if known else "there is no such open run here"
        case Start():
            return _unstartable(offers, request)
        case _:
            return "choose a routine first"


def _unstartable(offers: Offers, request: Start) -> str:
    routine = next((item for item in offers.routines if item.name == request.routine), None)
    if routine is None or routine.fault:
        return routine.fault if routine is not None else "there is no such routine here"
    if routine.members and request.member not in routine.members:
        return f"name the member of the part family: {', '.join(routine.members)}"
    if request.member is not None and not routine.members:
        return "this routine is of a single part: it has no members"
    if len(request.serials) > 1 and not routine.batch:
        return "this routine measures one part at a time"
    alike = look_alike(request.serials)
    if alike is not None and not request.sure:
        return f"the serials {alike[0]} and {alike[1]} look alike: if they are two parts, begin once more"
    return ""
