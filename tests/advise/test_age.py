"""How old pictures are, in words: one beside its verdict, many together."""

from apertrue.advice import Context
from apertrue.advise.age import age_reasons, ages_together, unknown_age
from apertrue.assessment import Assessment


def picture(flags: tuple[str, ...] | None = (), reasons: tuple[str, ...] | None = (), **more: str) -> Assessment:
    return Assessment(flags=flags, reasons=reasons, **more)


FRESH, OLD, UNDATED = picture(), picture(flags=("noisy", "stale")), picture(reasons=("cheapest", "time-unknown"))


def test_an_age_is_unknown_without_any_time_or_when_only_the_present_would_tell_it() -> None:
    dated = picture(taken_at="2026-03-12T14:00:00+01:00")
    assert age_reasons(FRESH, Context()) == ("time-unknown",)
    assert age_reasons(dated, Context()) == ()
    assert age_reasons(dated, Context(judged_now=True)) == ("time-unknown",)
    assert age_reasons(dated, Context(judged_now=True, age_min=3.0)) == ()


def test_one_picture() -> None:
    assert unknown_age(()) == ""
    assert unknown_age(("cheapest",)) == ""
    assert unknown_age(("cheapest", "time-unknown")) == (
        "The picture's age is not known: it states no time of its own, or one that lies ahead. "
        "Make sure that it is a fresh one, or give the time in a sheet."
    )


def test_many_pictures_are_counted() -> None:
    assert ages_together([FRESH] * 3, 30.0) == ()
    assert ages_together([], 30.0) == ()
    assert ages_together([OLD, FRESH, UNDATED, OLD, UNDATED, picture(None, None)], 12.5) == (
        "2 of 6 pictures are too old to act on (older than 12.5 min). Take a new picture.",
        "The age of 2 of 6 pictures is not known: they state no time of their own, or one that lies ahead. "
        "Make sure that they are fresh ones, or give the time in a sheet.",
    )
    assert ages_together([OLD, UNDATED], 30.0) == (
        "1 of 2 pictures is too old to act on (older than 30 min). Take a new picture.",
        "The age of 1 of 2 pictures is not known: it states no time of its own, or one that lies ahead. "
        "Make sure that it is a fresh one, or give the time in a sheet.",
    )
