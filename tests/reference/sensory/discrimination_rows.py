"""Questions about difference and similarity tests, d-prime, A-not-A, replicates, sequences."""

from __future__ import annotations

import re

import numpy as np

from panels.methods import anota, discrimination, replicated, similarity, thurstone
from panels.methods.protocols import ForcedChoice, p_d_from_p_c, presentation_orders
from panels.methods.psychometric import d_prime_from_proportion, proportion_correct
from panels.methods.sequential import SequentialPlan
from panels.serving.orders import balance_of, williams_design
from tests.reference.sensory.rows import Answer, NotAsked, Question, Row, column, parse_inputs

LOWER = r"\blower\b"
UPPER = r"\bupper\b"


def _n(row: Row) -> int:
    return row.whole("n", "assessments", "trials", "N")


def _x(row: Row) -> int:
    return row.whole("x", "correct", "X")


def minimum_correct(row: Row) -> Answer:
    return discrimination.minimum_correct(row.method(), _n(row), row.alpha(None), sided=row.sided())


def maximum_correct(row: Row) -> Answer:
    p_d = row.number("pd", "p_d")
    return similarity.maximum_correct(
        row.method(), _n(row), p_d / 100.0 if p_d > 1.0 else p_d, row.number("beta")
    )


def similarity_quantity(row: Row) -> Answer:
    """The similarity test of a result: its p-value, or the limit of p_d."""
    result = similarity.similarity_test(
        row.method(),
        _x(row),
        _n(row),
        p_d=row.number("pd", "p_d"),
        beta=row.number("beta", default=0.05),
    )
    if row.says(UPPER, "limit"):
        return result.upper_p_d
    return result.p_value


def similarity_power(row: Row) -> Answer:
    return similarity.chance_of_similarity(
        row.method(),
        _n(row),
        row.number("pd", "p_d"),
        row.number("beta"),
        true_p_d=row.number("true_pd", "pd_true", default=0.0),
    )


def panel_size(row: Row) -> Answer:
    beta = row.number("beta", default=-1.0)
    if beta < 0.0:
        beta = 1.0 - row.number("power")
    size = discrimination.assessments_needed(
        row.method(),
        row.alpha(None),
        round(beta, 12),
        sided=row.sided(),
        **row.size_of_difference(),
    )
    rule = row.inputs.get("rule", "").lower()
    stable = "stable" in rule or (not rule and row.says("stable", "every larger"))
    return size.stable if stable else size.first


def panel_size_ratio(row: Row) -> Answer:
    """One test's panel size as a share of another's, the one named first over the second."""
    named = [
        test
        for pattern, test in (
            ("tetrad", ForcedChoice.TETRAD),
            ("3-?afc", ForcedChoice.THREE_AFC),
            ("2-?afc", ForcedChoice.TWO_AFC),
            ("duo-?trio", ForcedChoice.DUO_TRIO),
            ("triangle", ForcedChoice.TRIANGLE),
        )
        if re.search(pattern, row.words)
    ]
    if len(named) != 2:
        raise NotAsked("a ratio needs two tests")
    first, second = (
        discrimination.assessments_needed(
            test, row.alpha(), round(1.0 - row.number("power"), 12), **row.size_of_difference()
        ).stable
        for test in named
    )
    return first / second


def power(row: Row) -> Answer:
    if row.has("x"):  # a stated critical number
        chance = discrimination.true_proportion(row.method(), **row.size_of_difference())
        alpha = discrimination.p_value(row.method(), _x(row), _n(row))
        value = discrimination.power(row.method(), _n(row), alpha, p_c=chance)
    else:
        value = discrimination.power(
            row.method(), _n(row), row.alpha(), sided=row.sided(), **row.size_of_difference()
        )
    return 1.0 - value if row.says("type ii", r"\bbeta\b", "risk of missing") else value


def attained_level(row: Row) -> Answer:
    if row.has("x"):
        return discrimination.p_value(row.method(), _x(row), _n(row), sided=row.sided())
    return discrimination.difference_test(
        row.method(), 0, _n(row), alpha=row.alpha(), sided=row.sided()
    ).attained_alpha


def p_value(row: Row) -> Answer:
    if row.has("x"):
        n, x = _n(row), _x(row)
    elif row.has("file"):
        frame = row.frame()
        line = frame[frame[column(frame, "id")].astype(str) == row.text("id", "row")].iloc[0]
        n, x = (int(line[column(frame, name)]) for name in ("assessments", "correct"))
        if not row.has("method"):
            return discrimination.p_value(str(line[column(frame, "method")]), x, n)
    else:
        raise NotAsked("no result is given")
    if row.says("or fewer", "or less", "at most"):
        return 1.0 - discrimination.p_value(row.method(), x + 1, n) if x < n else 1.0
    return discrimination.p_value(row.method(), x, n, sided=row.sided())


def proportion_limits(row: Row) -> Answer:
    low, high = discrimination.exact_limits(_x(row), _n(row), row.confidence())
    return low if row.says(LOWER) else high


def p_d(row: Row) -> Answer:
    method, n, x = row.method(), _n(row), _x(row)
    if row.says("standard error"):
        return discrimination.standard_error_of_p_d(method, x, n)
    if not row.says(LOWER, UPPER, "limit"):
        return discrimination.proportion_of_discriminators(method, x, n).estimate
    exact = row.says("exact", "clopper")
    if not exact and row.has("z"):
        z = row.number("z")
        return discrimination.wald_limit_of_p_d(method, x, n, -z if row.says(LOWER) else z)
    share = discrimination.proportion_of_discriminators(
        method, x, n, confidence=row.confidence(), interval="exact" if exact else "wald"
    )
    if row.says("one[- ]sided"):
        return share.lower_one_sided if row.says(LOWER) else share.upper_one_sided
    return share.lower if row.says(LOWER) else share.upper


def at_d_prime(row: Row) -> Answer:
    p_c = proportion_correct(row.method(), row.number("dprime", "d_prime", "d"))
    if row.says(r"\bpd\b", "proportion of discriminators", "discriminat"):
        return p_d_from_p_c(row.method(), p_c)
    return p_c


def d_prime(row: Row) -> Answer:
    method = row.method()
    if not row.has("x"):
        return d_prime_from_proportion(method, row.number("pc", "p_c"))
    n, x = _n(row), _x(row)
    if row.says(LOWER, UPPER):
        kind = "exact" if row.says("exact", "clopper") else "profile"
        kind = "wald" if row.says("wald", "normal approx", "delta method") else kind
        result = thurstone.estimate_d_prime(
            method,
            x,
            n,
            confidence=row.confidence(),
            interval=kind,  # type: ignore[arg-type]
            sided=row.sided(),
        )
        return result.lower if row.says(LOWER) else result.upper
    if row.says("standard error", "variance", r"\bb\b", "b value", "b-value"):
        error = thurstone.standard_error_of_d_prime(method, x, n)
        if error is None or row.says("standard error"):
            return error
        return error**2 * n if row.says(r"\bb\b", "b[- ]value") else error**2
    return thurstone.estimate_d_prime(method, x, n, sided=row.sided()).estimate


def b_value(row: Row) -> Answer:
    return thurstone.b_value(row.method(), row.number("dprime", "d_prime", "d"))


# --- A-not-A -------------------------------------------------------------------------------


def _rating_counts(row: Row) -> tuple[list[float], list[float]]:
    frame = row.frame().set_index(column(row.frame(), "sample"))
    first, second = frame.index[0], frame.index[1]
    return list(frame.loc[first].astype(float)), list(frame.loc[second].astype(float))


def _two_by_two(row: Row) -> tuple[int, int, int, int]:
    if row.has("file"):
        first, second = _rating_counts(row)
        cut = row.whole("cut")
        false_alarms, n_first = anota.collapse_ratings(first, cut)
        hits, n_second = anota.collapse_ratings(second, cut)
        return hits, n_second, false_alarms, n_first
    return (
        row.whole("said_A_given_A", "hits"),
        row.whole("n_A", "n_signal"),
        row.whole("said_A_given_notA", "false_alarms"),
        row.whole("n_notA", "n_noise"),
    )


def a_not_a(row: Row) -> Answer:
    if row.has("file") and not row.has("cut"):
        return _ratings(row)
    hits, n_a, false_alarms, n_not_a = _two_by_two(row)
    result = anota.a_not_a(hits, n_a, false_alarms, n_not_a, confidence=row.confidence())
    if row.says("chi"):
        if row.says("with (yates|continuity)", "yates"):
            table = np.array([[hits, n_a - hits], [false_alarms, n_not_a - false_alarms]])
            return anota.pearson_chi_square(table, continuity=True)
        return result.chi_square_p if row.says(r"\bp\b") else result.chi_square
    if row.says(r"\bp\b", "probability", "fisher"):
        return result.p_value
    if row.says("standard error", "variance"):
        error = result.standard_error
        return error if error is None or row.says("standard error") else error**2
    if row.says(LOWER, UPPER):
        return result.lower if row.says(LOWER) else result.upper
    if row.says("criterion", "bias"):
        return result.criterion
    if row.says("hit"):
        return hits / n_a
    if row.says("false alarm"):
        return false_alarms / n_not_a
    return result.d_prime


def a_not_a_power(row: Row) -> Answer:
    d = row.number("dprime", "d_prime")
    if row.says("number of", "sample size", "servings"):
        return anota.a_not_a_servings_needed(d, alpha=row.alpha(), power=row.number("power"))
    return anota.a_not_a_power(
        row.whole("n_A", "n"), row.whole("n_notA", "n"), d, alpha=row.alpha()
    )


def _ratings(row: Row) -> Answer:
    first, second = _rating_counts(row)
    result = anota.rating_d_prime(first, second, confidence=row.confidence())
    if row.says("r[- ]index", "area"):
        return result.r_index
    if row.says("likelihood"):
        return result.log_likelihood
    if row.says("standard error"):
        return result.standard_error
    if row.says(LOWER, UPPER):
        return result.lower if row.says(LOWER) else result.upper
    return result.d_prime


# --- replicates ----------------------------------------------------------------------------


def overdispersion(row: Row) -> Answer:
    result = replicated.tarone_z(row.numbers("correct"), row.numbers("replicates"))
    return result.p_value if row.says(r"\bp[ -]?value", "probability") else result.z


def beta_binomial(row: Row) -> Answer:
    method = row.method() if row.has("method") and row.says("correct(ed)? ") else None
    fit = replicated.fit_beta_binomial(
        row.numbers("correct"), row.numbers("replicates"), method=method
    )
    for pattern, value in (
        ("binomial log[- ]likelihood", None),
        (r"\bp[ -]?value", fit.p_value),
        ("likelihood ratio", fit.likelihood_ratio),
        ("standard error of (mu|the mean)", fit.mu_error),
        ("log[- ]likelihood", fit.log_likelihood),
        ("standard error of gamma", fit.gamma_error),
        ("gamma", fit.gamma),
        (r"\bmu\b|\bmean\b", fit.mu),
        (r"\ba\b", fit.a),
        (r"\bb\b", fit.b),
    ):
        if row.says(pattern):
            if value is None and not row.says("beta-?binomial log"):
                return fit.binomial_log_likelihood
            return fit.log_likelihood if value is None else value
    raise NotAsked("no parameter of the fit is named")


def replicates_worth(row: Row) -> Answer:
    """Independent answers that replicates are worth, from gamma or from the answers."""
    if row.has("gamma"):
        each = replicated.effective_trials(row.number("replicates", "n"), row.number("gamma"))
        return each * row.number("assessors", "k", default=1.0)
    return _replicated(row).worth


def replicated_test(row: Row) -> Answer:
    result = _replicated(row)
    if row.says("standard error"):
        return result.p_d_error
    if row.says(r"share|proportion of discriminators|p_?d\b|distinguish"):
        return result.p_d
    if row.says(r"\bp[ -]?value", "probability"):
        return result.p_value
    raise NotAsked("nothing that the test gives is named")


def _replicated(row: Row) -> replicated.ReplicatedDifference:
    return replicated.replicated_difference(
        row.method(), row.numbers("correct"), row.numbers("replicates")
    )


# --- orders --------------------------------------------------------------------------------


def williams(row: Row) -> Answer:
    t = row.whole("t", "treatments", "samples", "products")
    design = williams_design(t)
    if row.says("first row"):
        return " ".join(str(sample + 1) for sample in design[0])
    if row.says("number of (sequences|rows|orders)"):
        return len(design)
    if row.says("neighbour", "ordered pair", "carry"):
        counts = balance_of(design)
        if counts.neighbours_least != counts.neighbours_most:
            return None
        # More assessors than rows of the design: the design is used over and over.
        return counts.neighbours_most * row.whole("rows", default=len(design)) // len(design)
    if row.says("position"):
        counts = balance_of(design)
        return counts.position_most if counts.position_least == counts.position_most else None
    raise NotAsked("nothing that the design has is named")


def orders(row: Row) -> Answer:
    return len(presentation_orders(row.method(), constant_reference=row.says("constant")))


# --- sequences -----------------------------------------------------------------------------

# Plan behind the published duo-trio example of ISO 16820:2004 (from memory; the decisions follow).
PUBLISHED_PLAN = {"p0": 0.5, "p1": 0.7, "alpha": 0.1, "beta": 0.1}


def _plan(row: Row) -> SequentialPlan:
    if row.has("p0", "p1"):
        return SequentialPlan(
            p0=row.number("p0"), p1=row.number("p1"), alpha=row.alpha(), beta=row.number("beta")
        )
    if row.has("method", "pd"):
        return SequentialPlan.for_method(
            row.method(), p_d=row.number("pd"), alpha=row.alpha(), beta=row.number("beta")
        )
    return SequentialPlan(**PUBLISHED_PLAN)


def sequential_decision(row: Row) -> Answer:
    if row.has("answers"):
        answers = [round(v) for v in row.numbers("answers")]
    else:
        frame = row.frame()
        chosen = frame[frame[column(frame, "test")].astype(str) == row.text("test")]
        answers = [int(v) for v in chosen[column(frame, "correct")]]
    outcome = _plan(row).decide(answers)
    if outcome.decision == "undecided":
        return f"continue at trial {outcome.trial}"
    return f"{outcome.decision} at trial {outcome.trial}"


def sequential_parameters(row: Row) -> Answer:
    """Whether the parameters stated give the published decisions; they are echoed if so."""
    p0, p1, alpha, beta = (float(part) for part in row.expected.split(";"))
    plan = SequentialPlan(p0=p0, p1=p1, alpha=alpha, beta=beta)
    published = {"A": ("similar", 11), "C": ("different", 12)}
    frame = Row(**{**_fields(row), "inputs": parse_inputs("file=duotrio_sequential.csv")}).frame()
    for test, (decision, trial) in published.items():
        outcome = plan.decide([int(v) for v in frame[frame["test"] == test]["correct"]])
        if (outcome.decision, outcome.trial) != (decision, trial):
            return f"{test}: {outcome.decision} at {outcome.trial}"
    return row.expected


def _fields(row: Row) -> dict[str, object]:
    return {name: getattr(row, name) for name in row.__dataclass_fields__}


def wald_line(row: Row) -> Answer:
    plan = _plan(row)
    if row.says("slope"):
        return plan.slope
    return plan.lower_intercept if row.says(LOWER) else plan.upper_intercept


def expected_trials(row: Row) -> Answer:
    plan = _plan(row)
    if row.has("p"):
        return plan.expected_trials(row.number("p"))
    return plan.expected_trials(plan.p0 if row.says("no difference", "h0", r"\bp0\b") else plan.p1)


QUESTIONS: list[Question] = [
    (lambda r: r.says("williams", "ordered pair of neighbours") and r.has("t"), williams),
    (lambda r: r.says("presentation orders", "serving orders"), orders),
    (lambda r: r.says("sequential") and r.says("decision"), sequential_decision),
    (lambda r: r.says("parameters p0") and r.expected.count(";") == 3, sequential_parameters),
    (lambda r: r.says("wald line", "(line|boundary).*(intercept|slope)"), wald_line),
    (lambda r: r.says("expected number of trials", "average sample number"), expected_trials),
    (lambda r: r.says("tarone"), overdispersion),
    (lambda r: r.has("replicates", "gamma") or r.says("are worth"), replicates_worth),
    (lambda r: r.says("beta-?binomial|over-?dispersion.*(gamma|likelihood)"), beta_binomial),
    (lambda r: r.says("over-?dispersion") and r.has("replicates"), overdispersion),
    (lambda r: r.says("replicat") and r.has("correct", "replicates"), replicated_test),
    (lambda r: r.says("a-not-a") and r.has("dprime"), a_not_a_power),
    (lambda r: r.says("a-not-a") or r.has("said_A_given_A"), a_not_a),
    (lambda r: r.says("ratio", "one third of the") and r.has("power"), panel_size_ratio),
    (
        lambda r: (
            (r.says("similarity") and r.says("power", "chance", "probability"))
            and r.has("n", "pd", "beta")
            and not r.has("x")
        ),
        similarity_power,
    ),
    (lambda r: r.says("similarity") and r.has("n", "x", "pd"), similarity_quantity),
    (lambda r: r.has("n", "pd", "beta") and not r.has("x") and not r.has("alpha"), maximum_correct),
    (
        lambda r: (
            r.says("number of assess", "sample size", "smallest n", "panel size")
            and (r.has("beta") or r.has("power"))
            and not r.has("letter")
        ),
        panel_size,
    ),
    (lambda r: r.says("power", "type ii") and r.has("n"), power),
    (lambda r: r.says("type i error", "attained", "achieved") and r.has("n"), attained_level),
    (
        lambda r: (
            r.says("minimum (number )?correct", "minimum concurring", "critical (value|number)")
            and r.has("n", "alpha")
            and not r.says("friedman", "page", "dunnett", "mandel")
        ),
        minimum_correct,
    ),
    (
        lambda r: r.says("proportion correct") and r.has("n", "x") and r.says("limit"),
        proportion_limits,
    ),
    (
        lambda r: r.says("proportion correct", "discriminat") and r.has("dprime"),
        at_d_prime,
    ),
    (lambda r: r.says(r"\bb\b", "b[- ]value") and r.has("dprime"), b_value),
    (lambda r: r.says("d-?prime", "d′", r"\bd'") and (r.has("x") or r.has("pc")), d_prime),
    (
        lambda r: (
            r.says(r"\bpd\b", r"\bp_d\b", "discriminators", "limit of pd") and r.has("n", "x")
        ),
        p_d,
    ),
    (
        lambda r: r.says("probability", r"\bp[ -]?value") and (r.has("n", "x") or r.has("id")),
        p_value,
    ),
]
