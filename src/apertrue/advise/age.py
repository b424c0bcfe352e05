"""What is said of how old pictures are: of one beside its verdict, of many together under a table."""

from collections.abc import Collection, Sequence

from ..advice import Context
from ..assessment import Assessment
from ..registry import REASONS

#: The reason and the flag by which an age that is not known, and one over the limit, are told.
UNKNOWN, STALE = "time-unknown", "stale"


def age_reasons(assessment: Assessment, context: Context) -> tuple[str, ...]:
    """The reason that tells that the picture's age is not known."""
    # A file's own time gives a time and no age: copying changes it.
    unknown = context.age_min is None and (context.judged_now or assessment.taken_at is None)
    return (UNKNOWN,) if unknown else ()


def unknown_age(reasons: Collection[str]) -> str:
    """That the picture's age is not known, and what to do; empty where it is known."""
    return f"{REASONS[UNKNOWN].sentence} {REASONS[UNKNOWN].remedy}" if UNKNOWN in reasons else ""


def ages_together(judged: Sequence[Assessment], stale_min: float) -> tuple[str, ...]:
    """The same of many pictures that were judged as of now: how many are too old, of how many the age is not known."""
    out = []
    if old := sum(STALE in (a.flags or ()) for a in judged):
        they = "is" if old == 1 else "are"
        out.append(
            f"{old} of {len(judged)} pictures {they} too old to act on (older than {stale_min:g} min). "
            f"{REASONS['picture-stale'].remedy}"
        )
    if unknown := sum(UNKNOWN in (a.reasons or ()) for a in judged):
        one = unknown == 1
        out.append(
            f"The age of {unknown} of {len(judged)} pictures is not known: "
            f"{'it states no time of its' if one else 'they state no time of their'} own, or one that lies ahead. "
            f"Make sure that {'it is a fresh one' if one else 'they are fresh ones'}, or give the time in a sheet."
        )
    return tuple(out)
