"""Every point of the plan beside what was done: each is kept, differs, or cannot be compared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from analysis.report.evidence import Row, clean_text
from analysis.report.page import Page, PageBlock
from analysis.report.sections.prices import money

__all__ = ["PlanPoint", "points_of_plan", "practice_table", "same_text", "written_time"]

_DASH = Markup("\u2013")
_HASH_SHOWN = 12


@dataclass(frozen=True, slots=True)
class PlanPoint:
    """One point of the plan.

    Attributes
    ----------
    what : Markup
        Name of the point.
    planned, done : Markup
        What the plan says and what the evidence shows; a dash where it is silent.
    kept : bool or None
        None where the two cannot be compared.
    """

    what: Markup
    planned: Markup
    done: Markup
    kept: bool | None


def same_text(text: object) -> str:
    """Return a text without differences of space and case."""
    return " ".join(clean_text(text).split()).lower()


def points_of_plan(page: Page) -> list[PlanPoint]:
    """Compare practice with plan, point by point, in the order of a study."""
    makers = (
        _sealed, _earlier, _listeners, _sittings, _stopping, _times, _questions, _screening,
        _alpha, _smallest, _metric, _claims, _budgets, _checks, _software, _playback,
    )  # fmt: skip
    return [point for make in makers for point in make(page)]


def practice_table(page: Page, points: Sequence[PlanPoint]) -> list[PageBlock | None]:
    """Make the table with its summary before it."""

    def outcome(point: PlanPoint) -> Markup:
        if point.kept is None:
            return page.say("prac.unknown")
        style, key = ("ok", "prac.kept") if point.kept else ("bad", "prac.differs")
        return Markup('<span class="{}">{}</span>').format(style, page.say(key))

    cells = [[p.what, p.planned, p.done, outcome(p)] for p in points]
    differs = any(p.kept is False for p in points)
    unknown = any(p.kept is None for p in points)
    return [
        page.warning("plan.departed") if differs else page.para("plan.nothing"),
        page.note("plan.unknown") if unknown else None,
        page.table(["point", "planned", "done", "outcome"], cells, style="words"),
    ]


# points --------------------------------------------------------------------------------


def _point(
    page: Page, key: str, planned: Markup | None, done: Markup | None, kept: bool | None
) -> PlanPoint:
    known = planned is not None and done is not None
    return PlanPoint(
        page.say(f"prac.{key}"),
        _DASH if planned is None else planned,
        _DASH if done is None else done,
        kept if known else None,
    )


def _code(page: Page, text: object) -> Markup | None:
    if not text:
        return None
    return Markup("<code>{}</code>").format(page.user(clean_text(text)[:_HASH_SHOWN] + "…"))


def _sealed(page: Page) -> Iterator[PlanPoint]:
    """Hold study file and stimuli as sealed against those of now."""
    if not page.evidence.get("/conduct/sealed"):
        return
    for key in ("study_sha256", "manifest_sha256"):
        sealed = page.evidence.text(f"/conduct/sealed/{key}")
        now = page.evidence.text(f"/conduct/present/{key}")
        yield _point(page, key, _code(page, sealed), _code(page, now), sealed == now)


def _earlier(page: Page) -> Iterator[PlanPoint]:
    """Say whether other versions of the study were opened, and how many answers they have."""
    if not isinstance(page.evidence.get("/conduct/earlier"), list):
        return
    rows = page.evidence.rows("/conduct/earlier")
    answered = [row for row in rows if row.number("n_answers")]
    lines = [
        page.say(
            "prac.earlier_version",
            at=written_time(page, row.get("opened_at")),
            answers=page.counted(row.at("n_answers"), "answer"),
        )
        for row in rows
    ]
    done = Markup("; ").join(lines) if lines else page.say("prac.none")
    yield _point(page, "earlier", page.say("prac.one_version"), done, not answered)


def _listeners(page: Page) -> Iterator[PlanPoint]:
    planned, about = "/study/plan/listeners", page.results.about
    yield _point(
        page,
        "listeners",
        page.n(planned, "count") if page.known(planned) else None,
        None if about is None else page.n(page.at(about).n_listeners, "count"),
        about is not None and page.evidence.number(planned) == about.n_listeners,
    )


_SITTINGS = ("n_finished", "n_unfinished", "n_unanswered", "n_withdrawn")


def _sittings(page: Page) -> Iterator[PlanPoint]:
    base = "/conduct"
    if not page.known(f"{base}/n_sittings"):
        return
    said = [
        page.say(f"prac.{key}", count=page.n(f"{base}/{key}", "count"))
        for key in _SITTINGS
        if page.evidence.number(f"{base}/{key}")
    ]
    lost = any(page.evidence.number(f"{base}/{key}") for key in ("n_unfinished", "n_withdrawn"))
    done = Markup(", ").join(said) if said else page.say("prac.none")
    yield _point(page, "sittings", page.say("prac.all_finished"), done, not lost)


def _stopping(page: Page) -> Iterator[PlanPoint]:
    """Hold a fixed rule as kept when just the planned listeners had finished at closing."""
    rule = page.evidence.text("/study/plan/stopping")
    if not rule:
        return
    closed = page.evidence.get("/study/state") != "open"
    finished = "/conduct/n_finished"
    count = page.counted(finished, "sitting") if page.known(finished) else None
    if not closed:
        done = page.say("prac.still_open")
    elif count is None:
        done = None
    else:
        done = page.say("prac.closed_after", finished=count)
    planned = page.evidence.number("/study/plan/listeners")
    kept = closed and page.evidence.number(finished) == planned if rule == "fixed" else None
    yield _point(page, "stopping", page.user(rule), done, kept)


def written_time(page: Page, text: object) -> Markup:
    """Write a time of the log to the minute, in UTC."""
    shown = clean_text(text)[:16].replace("T", "\u00a0")
    return page.user(f"{shown}\u00a0UTC")


_TIMES = ("opened_at", "first_answer_at", "last_answer_at", "closed_at")


def _times(page: Page) -> Iterator[PlanPoint]:
    known = [key for key in _TIMES if page.evidence.text(f"/conduct/{key}")]
    if not known:
        return
    done = Markup("; ").join(
        page.say(f"prac.{key}", at=written_time(page, page.evidence.text(f"/conduct/{key}")))
        for key in known
    )
    late = page.evidence.number("/conduct/n_after_closing")
    yield _point(page, "times", page.say("prac.sealed_first"), done, not late)


def _questions(page: Page) -> Iterator[PlanPoint]:
    """Hold the questions each sitting answered against those planned, test by test."""
    about = page.results.about
    rows = page.evidence.rows("/conduct/tests")
    for row in rows:
        name = page.say("prac.questions", method=page.user(row.get("method") or ""))
        if row.number("planned_each") is None:
            yield PlanPoint(name, _DASH, page.say("prac.none"), False)
            continue
        planned = page.say("prac.each", count=page.n(row.at("planned_each"), "count"))
        least, most = row.at("answered_least"), row.at("answered_most")
        alike = page.evidence.number(least) == page.evidence.number(most)
        ends = page.n(most, "count") if alike else page.numbers.between(least, most, "count")
        done = page.say(
            "prac.answered",
            ends=ends,
            total=page.n(row.at("n_answered"), "count"),
            short=page.counted(row.at("n_short"), "sitting"),
        )
        yield PlanPoint(name, planned, done, not row.number("n_short"))
    if rows or about is None:
        return
    for row in page.evidence.rows("/study/tests"):
        method = str(row.get("method") or "")
        name = page.say("prac.questions", method=page.user(method))
        planned = page.say("prac.declared")
        if method in about.methods:
            done = page.counted(page.at(about).methods[method], "trial")
            yield PlanPoint(name, planned, done, None)
        else:
            yield PlanPoint(name, planned, page.say("prac.none"), False)


def _screening(page: Page) -> Iterator[PlanPoint]:
    """Hold the declared rule against the applied one, and name whom it leaves out."""
    planned = page.evidence.text("/study/plan/screening")
    screened = page.results.screened
    if not page.evidence.get("/results"):
        return
    words = page.user(planned) if planned else page.say("prac.no_rule")
    if screened is None or not screened.rule:
        yield _point(page, "screening", words, page.say("prac.nobody_out"), planned is None)
        return
    applied = screened.rule
    counted = page.counted(page.at(screened).excluded, "listener", "length")
    key = "prac.left_out" if screened.excluded else "prac.rule_only"
    done = page.say(key, rule=page.user(applied), n=counted)
    yield _point(page, "screening", words, done, same_text(planned or "") == same_text(applied))


def _alpha(page: Page) -> Iterator[PlanPoint]:
    planned, about = "/study/plan/alpha", page.results.about
    yield _point(
        page,
        "alpha",
        page.n(planned, "plain") if page.known(planned) else None,
        None if about is None else page.n(page.at(about).alpha, "plain"),
        about is not None and page.evidence.number(planned) == about.alpha,
    )


def _smallest(page: Page) -> Iterator[PlanPoint]:
    """Hold the smallest effect that was declared against the one that verdicts were given by."""
    planned = page.evidence.number("/study/plan/smallest_effect")
    used = None if page.results.about is None else page.results.about.smallest_effect
    if planned is None and used is None:
        return

    def words(points: float | None) -> Markup:
        if points is None:
            return page.say("prac.no_smallest")
        return page.say("prac.points", points=page.user(f"{points:g}"))

    # The plan counts points, results shares.
    used = None if used is None else round(100 * used, 9)
    yield _point(page, "smallest", words(planned), words(used), planned == used)


def _metric(page: Page) -> Iterator[PlanPoint]:
    planned = page.evidence.text("/study/plan/primary_metric")
    rows = page.results.link
    if not planned:
        return
    used = rows[0].metric if rows and rows[0].primary else None
    done = page.user(used) if used else None
    if rows and done is None:
        done = page.say("link.is_exploratory")
    yield _point(page, "metric", page.user(planned), done, used == planned)


def _claims(page: Page) -> Iterator[PlanPoint]:
    planned = page.evidence.get("/study/plan/claims")
    if not isinstance(planned, list):
        return
    judged = [row.text for row in page.results.claims]
    yield _point(
        page,
        "claims",
        page.counted("/study/plan/claims", "claim", "length"),
        page.counted(page.at(page.results).claims, "claim", "length")
        if isinstance(page.evidence.get("/results/claims"), list)
        else None,
        {same_text(t) for t in planned} == {same_text(t) for t in judged},
    )


def _budgets(page: Page) -> Iterator[PlanPoint]:
    planned = page.evidence.get("/study/plan/budgets")
    if not isinstance(planned, list) or not planned:
        return
    rows = () if page.results.upgrade is None else page.results.upgrade.budget
    used = [row.budget for row in rows]
    amounts = [money(page, f"/study/plan/budgets/{k}") for k in range(len(planned))]
    answered = [money(page, page.at(row).budget) for row in rows]
    yield _point(
        page,
        "budgets",
        Markup(", ").join(amounts),
        Markup(", ").join(answered) if answered else None,
        used == [float(amount) for amount in planned],
    )


def _checks(page: Page) -> Iterator[PlanPoint]:
    rows = page.evidence.rows("/level_check")
    if not rows:
        return
    failed: list[Row] = [row for row in rows if not row.get("passed")]
    named = Markup("; ").join(
        page.user(row.get("words") or row.get("name") or "") for row in failed
    )
    done = page.say("prac.failed", checks=named) if failed else page.say("prac.passed")
    yield _point(page, "checks", page.say("prac.passed"), done, not failed)


def _software(page: Page) -> Iterator[PlanPoint]:
    """Hold the version that opened the study against those that ran and analysed it."""
    sealed = page.evidence.text("/conduct/sealed/software")
    if not sealed:
        return
    rows = page.evidence.rows("/conduct/software")
    versions = [str(row.get("version")) for row in rows]
    lines = [
        page.say(
            "prac.version",
            version=page.user(row.get("version") or ""),
            sittings=page.counted(row.at("n_sittings"), "sitting"),
        )
        for row in rows
    ]
    about = page.results.about
    analysed = None if about is None else about.software.get("earwitness")
    if analysed:
        lines.append(page.say("prac.analysed_with", version=page.user(analysed)))
        versions.append(analysed)
    done = Markup("; ").join(lines) if lines else None
    yield _point(page, "software", page.user(sealed), done, set(versions) == {sealed})


def _playback(page: Page) -> Iterator[PlanPoint]:
    playback = None if page.results.about is None else page.results.about.playback
    if playback is None or not playback.n_counted:
        return
    at = page.at(playback)
    done = page.say(
        "plan.playback" if playback.n_stuttered else "prac.ran_through",
        stuttered=page.n(at.n_stuttered, "count"),
        counted=page.counted(at.n_counted, "trial"),
    )
    yield _point(page, "playback", page.say("prac.no_stutter"), done, not playback.n_stuttered)
