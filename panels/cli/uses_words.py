"""What ``panels uses`` prints: the answer in a sentence, then the table behind it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bulkflow.cli.register_options import plain_table
from bulkflow.cli.shell import result_console

if TYPE_CHECKING:
    from bulkflow.records import Record
    from panels.uses.arrival import ArrivalPlan, ArrivalResult
    from panels.uses.choosing import ChoiceResult
    from panels.uses.declaration import SourceRule
    from panels.uses.monitoring import MonitoringResult
    from panels.uses.off_note import OffNoteResult
    from panels.uses.records import UseFinding
    from panels.uses.site import SiteResult
    from panels.uses.source import SourcePlan, SourceResult

__all__ = [
    "show_arrival",
    "show_arrival_plan",
    "show_choice",
    "show_history",
    "show_monitoring",
    "show_off_note",
    "show_site",
    "show_source",
    "show_source_plan",
]


def _say(*lines: str) -> None:
    console = result_console()
    for line in lines:
        console.print(line)


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f} %"


def _p(value: float) -> str:
    return "<0.001" if value < 0.001 else f"{value:.3f}"


def _count(value: int | None) -> str:
    return "none" if value is None else str(value)


def show_source(rule: SourceRule, result: SourceResult) -> None:
    """Show the conclusion on a source, delivery by delivery."""
    _say(result.words, "")
    headings = {
        "delivery": "whole",
        "right": "right",
        "noticing, at most": "right",
        "d-prime (95 %)": "right",
        "finding": "whole",
    }
    rows = [
        [
            one.delivery,
            f"{one.correct} of {one.assessments}",
            _percent(one.upper_share),
            f"{one.d_prime:.2f} ({one.d_prime_lower:.2f} to {one.d_prime_upper:.2f})",
            one.finding.value,
        ]
        for one in result.deliveries
    ]
    result_console().print(plain_table(headings, rows))
    _say(
        f"Test: {rule.test}; {rule.assessments} answers are similar up to"
        f" {_count(result.plan.most_similar)} right. 'Noticing, at most' is the one-sided limit"
        f" at {_percent(1.0 - rule.beta)}. A source without any difference would pass all"
        f" {rule.deliveries} deliveries with {_percent(result.plan.chance_if_same)} chance."
    )
    if result.future_share is not None:
        _say(
            f"{len(result.deliveries)} of {len(result.deliveries)} passed: with 95 % confidence at"
            f" least {_percent(result.future_share)} of deliveries to come would pass too; go on"
            " testing them."
        )
    if result.spread_p is not None and result.spread_p < 0.05:
        _say(f"Deliveries differ among each other (p = {result.spread_p:.3f}).")
    _say(*result.remarks)


def show_site(result: SiteResult) -> None:
    """Show the conclusion on a site, run by run."""
    _say(result.words, "")
    headings = {
        "run": "whole",
        "mean": "right",
        "less blind control": "right",
        "limits": "right",
        "noticed, p": "right",
        "finding": "whole",
    }
    rows = [
        [
            run.run,
            f"{run.mean:.2f}",
            f"{run.difference:+.2f}",
            f"{run.lower:+.2f} to {run.upper:+.2f}",
            _p(run.noticed_p),
            run.finding.value,
        ]
        for run in result.runs
    ]
    result_console().print(plain_table(headings, rows))
    _say(
        f"{result.assessors} assessors, {result.df} degrees of freedom; the blind control is rated"
        f" {result.control_mean:.2f}. Limits are one-sided, each at the declared risk; 'noticed'"
        " is adjusted for all runs (Dunnett).",
        *result.remarks,
    )


def show_arrival(result: ArrivalResult) -> None:
    """Show what is to be done with each load."""
    _say(result.words, "")
    headings = {"load": "whole", "right": "right", "finding": "whole"}
    rows = [
        [load.load, f"{load.correct} of {load.trials}", load.finding.value] for load in result.loads
    ]
    result_console().print(plain_table(headings, rows))
    _say(*_arrival_promise(result.plan), *result.remarks)


def _arrival_promise(plan: ArrivalPlan) -> Sequence[str]:
    return (
        f"As cut short at {plan.most_trials} trials: a load that is the same is accepted with"
        f" {_percent(plan.same_accepted)} chance ({plan.same_trials:.1f} trials expected), one that"
        f" the declared share can tell with {_percent(plan.changed_accepted)}"
        f" ({plan.changed_trials:.1f} trials).",
    )


def show_off_note(note: str, result: OffNoteResult) -> None:
    """Show the finding on an off-note, among the sensitive and the others."""
    _say(result.words, "")
    headings = {"assessors": "left", "right": "right", "p": "right", "who": "left"}
    rows = [
        [
            said,
            f"{group.correct} of {group.assessments}",
            "-" if group.p_value is None else _p(group.p_value),
            ", ".join(group.assessors) or "nobody",
        ]
        for said, group in ((f"notice {note}", result.sensitive), ("others", result.others))
    ]
    result_console().print(plain_table(headings, rows))
    _say(f"Ask in this order: {', '.join(result.order) or 'no records'}.", *result.remarks)


def show_choice(result: ChoiceResult) -> None:
    """Show every assessor's figures, who meets the rule, and what the others train."""
    _say(result.words, "")
    performance = result.performance
    headings = {
        "assessor": "whole",
        "bias": "right",
        "s": "right",
        "F": "right",
        "p": "right",
        "r": "right",
        "slope": "right",
        "k": "right",
        "to train": "left",
    }
    rows = [
        [
            one.assessor,
            f"{one.bias:+.2f}",
            f"{one.repeatability:.2f}",
            f"{one.discrimination.f:.2f}",
            _p(one.discrimination.p_value),
            "-" if one.agreement is None else f"{one.agreement:.2f}",
            "-" if one.slope is None else f"{one.slope:.2f}",
            f"{one.mandel_k:.2f}",
            ", ".join(review.needs) or "meets the rule",
        ]
        for one, review in zip(performance.assessors, result.reviews, strict=True)
    ]
    result_console().print(plain_table(headings, rows))
    _say(
        f"s: standard deviation of replicates (panel {performance.repeatability:.2f}); F, p: tells"
        " the products apart; r: agreement with the others; slope: use of the scale; k: Mandel's."
    )
    if not performance.agreement_can_be_judged:
        _say("The panel as a whole does not tell the products apart: agreement is not judged.")
    for note, people in result.sensitive.items():
        _say(f"Notice {note}: {', '.join(people) or 'nobody'}.")


def show_monitoring(result: MonitoringResult) -> None:
    """Show the panel's chart, and whose own chart signals."""
    _say(result.words, "")
    headings = {
        "sitting": "whole",
        "mean": "right",
        "EWMA": "right",
        "limits": "right",
        "CUSUM up": "right",
        "down": "right",
        "signals": "left",
    }
    rows = [
        [
            str(sitting),
            f"{row['value']:.2f}",
            f"{row['ewma']:.2f}",
            f"{row['ewma_lower']:.2f} to {row['ewma_upper']:.2f}",
            f"{row['cusum_high']:.2f}",
            f"{row['cusum_low']:.2f}",
            str(row["signals"]),
        ]
        for sitting, row in result.panel.to_frame().iterrows()
    ]
    result_console().print(plain_table(headings, rows))
    panel = result.panel
    _say(
        f"Centre {panel.centre:.2f} and spread {panel.sigma:.2f} from the first {panel.baseline}"
        f" sittings; single sittings within {panel.jumps.lower:.2f} to {panel.jumps.upper:.2f}."
    )
    for name, start in result.drifting.items():
        charts = "; ".join(f"{at} {', '.join(by)}" for at, by in _first(result, name))
        _say(f"{name} drifts from {start} on: {charts}.")
    for name, sittings in result.single.items():
        _say(f"{name}: single sittings beyond the limits: {', '.join(sittings)}.")
    if result.too_few:
        _say(f"Too few sittings yet: {', '.join(result.too_few)}.")


def _first(result: MonitoringResult, name: str) -> list[tuple[str, tuple[str, ...]]]:
    """Signals of one assessor, the first three of them."""
    return list(result.assessors[name].signals.items())[:3]


def show_history(kept: Sequence[tuple[Record, UseFinding]]) -> None:
    """Show findings kept in the register, oldest first."""
    if not kept:
        _say("No finding is kept.")
        return
    headings = {
        "record": "right",
        "day": "right",
        "use": "whole",
        "about": "left",
        "finding": "left",
        "declared": "left",
    }
    rows = [
        [
            str(record.seq),
            record.at[:10],
            body.use,
            body.subject,
            body.conclusion,
            _declared(body),
        ]
        for record, body in kept
    ]
    result_console().print(plain_table(headings, rows))


def _declared(body: UseFinding) -> str:
    if body.declaration_record is None:
        return "not recorded"
    when = "before" if body.recorded_in_time else "only after"
    return f"record {body.declaration_record}, {when} the answers"


def show_arrival_plan(plan: ArrivalPlan) -> None:
    """Show what an arrival check promises, and its numbers trial by trial."""
    _say(*_arrival_promise(plan), "")
    headings = {"trial": "right", "accept up to": "right", "hold from": "right"}
    rows = [[str(n), _count(low), _count(high)] for n, low, high in plan.accept_lines]
    result_console().print(plain_table(headings, rows))


def show_source_plan(rule: SourceRule, plan: SourcePlan) -> None:
    """Show what the qualifying of a source asks for."""
    _say(
        f"{rule.test}, {plan.assessments} assessors at each delivery: similar up to"
        f" {_count(plan.most_similar)} right, different from {_count(plan.fewest_different)}.",
        f"A source without any difference passes one delivery with"
        f" {_percent(plan.chance_each_if_same)} chance, and all with"
        f" {_percent(plan.chance_if_same)}. For {_percent(1.0 - rule.alpha)} over all,"
        f" {plan.assessments_needed} assessors are needed at each.",
    )
