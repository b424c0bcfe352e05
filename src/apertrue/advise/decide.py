"""The one decision: price the plans, drop what is barred, take the cheapest. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from ..advice import Option
from ..instrument import Costs
from ..registry import Verdict
from .budget import loss

_MILDEST = {Verdict.LEAVE: 0, Verdict.NUDGE: 1, Verdict.AUTO: 2}


@dataclass(frozen=True, slots=True)
class Plan:
    """One way to go on, not yet priced.

    Attributes:
        verdict: ``leave``, ``nudge`` or ``auto``.
        lost: share of the current lost afterwards, averaged over the planned work, 0 to 1.
        moves: expected moves by hand.
        barred_by: reason ids that forbid it.
    """

    verdict: Verdict
    lost: float
    moves: float = 0.0
    barred_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Decision:
    """The chosen option and all of them, priced.

    Attributes:
        chosen: the cheapest allowed option; the nudge when everything is barred (``last_resort``).
        options: all, in the order given.
        last_resort: true when every way was barred, so that hand centering is what remains.
        contest: true when more than one way was allowed, so that the minutes decided.
    """

    chosen: Option
    options: tuple[Option, ...]
    last_resort: bool = False
    contest: bool = False


def price(plan: Plan, costs: Costs) -> Option:
    """The plan with its terms in minutes and, for each term, the sum to redo by hand."""
    terms: dict[str, float] = {}
    how: dict[str, str] = {}
    if plan.verdict is Verdict.NUDGE:
        terms["moves"] = plan.moves * costs.nudge_min
        how["moves"] = f"{plan.moves:.2f} moves × {costs.nudge_min:g} min"
    if plan.verdict is Verdict.AUTO:
        terms["routine"] = costs.auto_min
        how["routine"] = f"one run, {costs.auto_min:g} min"
        terms["hang"] = costs.hang_probability * costs.hang_min
        how["hang"] = f"{costs.hang_probability:.3g} × {costs.hang_min:g} min"
        if not costs.in_alignment_view:
            terms["interruption"] = costs.auto_interrupt_min
            how["interruption"] = f"empty area and way back, {costs.auto_interrupt_min:g} min"
    per_minute = loss(plan.lost, costs.dose)
    terms["lost current"] = costs.planned_min * per_minute
    f = f"{min(plan.lost, 0.99):.4f}"
    share = f"{f}/(1 − {f})" if costs.dose == "counts" else f
    how["lost current"] = f"{costs.planned_min:g} min × {share}"
    return Option(plan.verdict, sum(terms.values()), terms, not plan.barred_by, plan.barred_by, how)


def decide(options: Sequence[Plan], costs: Costs) -> Decision:
    """The cheapest allowed plan; of equal ones the mildest.

    Args:
        options: the ways to go on, with what bars each.
        costs: minutes and probabilities that price them.

    When all are barred, the nudge remains (a hand can always center in several small steps), never ``leave``.
    Raises ``ValueError`` when nothing is allowed and no nudge is among the options.
    """
    priced = tuple(price(plan, costs) for plan in options)
    allowed = [o for o in priced if o.allowed]
    if allowed:
        best = min(allowed, key=lambda o: (round(o.minutes, 9), _MILDEST[o.verdict]))
        return Decision(best, priced, contest=len(allowed) > 1)
    hand = [o for o in priced if o.verdict is Verdict.NUDGE]
    if not hand:
        raise ValueError("every option is barred and none of them is a nudge")
    return Decision(hand[0], priced, last_resort=True)
