"""Aims and methods, written out from plan, log and data.

The order is that of reporting guidelines for quantitative studies (see the documentation on
reading a report): who took part, how many and until when, what was played, what was asked, how
order and blinding were kept, how answers were checked, how they were analysed, with what.
"""

from __future__ import annotations

from collections.abc import Mapping

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.page import Page, PageBlock, Section
from analysis.report.record.practice import written_time

__all__ = ["aims_section", "design_words", "methods_section", "size_words"]


def aims_section(page: Page) -> Section:
    """List the claims and the metric, and say whether they were declared beforehand."""
    sealed = page.results.about is None or page.results.about.sealed_plan
    planned = page.evidence.get("/study/plan/claims")
    claims = [page.claim_typed(text) for text in planned] if isinstance(planned, list) else []
    metric = page.evidence.text("/study/plan/primary_metric")
    return page.section(
        "aims",
        [
            page.para("aims.lead" if sealed else "aims.late")
            if claims
            else page.para("claim.none"),
            PageBlock("list", claims) if claims else None,
            page.para("meth.metric", metric=page.user(metric)) if metric and sealed else None,
            page.note("aims.others") if claims else None,
        ],
    )


def methods_section(page: Page) -> Section:
    """Write the methods from the plan and the data, one paragraph a subject."""
    subjects = {
        "design": design_words(page),
        "listeners": _listeners(page),
        "size": size_words(page),
        "sound": _sound(page),
        "questions": _questions(page),
        "blinding": _blinding(page),
        "quality": _quality(page),
        "statistics": _statistics(page),
        "software": _software(page),
    }
    paragraphs = [
        PageBlock(
            "para", Markup("<b>{}</b> {}").format(page.say(f"meth.head_{key}"), _joined(said))
        )
        for key, said in subjects.items()
        if said
    ]
    return page.section(
        "methods",
        [
            page.warning("meth.simulated") if page.mark else None,
            *(paragraphs or [page.para("meth.none")]),
            page.note("meth.unrecorded") if paragraphs else None,
        ],
    )


def _joined(said: list[Markup]) -> Markup:
    return Markup(" ").join(said)


def design_words(page: Page) -> list[Markup]:
    """Say what was compared, from the study; from the data where there is no study."""
    place = "/study"
    if not page.evidence.get(f"{place}/stages"):
        if page.results.about is None:
            return []
        at = page.at(page.results.about)
        trials, panel = page.counted(at.n_trials, "trial"), page.counted(at.n_listeners, "listener")
        return [page.say("meth.design_bare", trials=trials, panel=panel)]
    counts = {
        unit: page.counted(f"{place}/{unit}s", unit, "length")
        for unit in ("stage", "programme", "test")
        if isinstance(page.evidence.get(f"{place}/{unit}s"), list)
    }
    title = page.evidence.text("/study/title") or page.name("title.report")
    words = {f"{unit}s": text for unit, text in counts.items()}
    if len(words) < 3:
        return []
    return [page.say("meth.design", title=Markup("“{}”").format(page.user(title)), **words)]


def _listeners(page: Page) -> list[Markup]:
    """Say who took part, how far they came, and through what they listened."""
    said = []
    base = "/conduct"
    if page.known(f"{base}/n_sittings"):
        said.append(page.say("meth.consent"))
        counts = {
            key: page.n(f"{base}/{key}", "count")
            for key in ("n_finished", "n_unfinished", "n_unanswered", "n_withdrawn")
        }
        begun = page.counted(f"{base}/n_sittings", "sitting")
        said.append(page.say("meth.sittings", begun=begun, **counts))
    heard = [
        Markup("{} ({})").format(
            page.user(row.get("output")) if row.get("output") else page.say("meth.not_said"),
            page.counted(row.at("n_sittings"), "sitting"),
        )
        for row in page.evidence.rows(f"{base}/outputs")
    ]
    if heard:
        said.append(page.say("meth.outputs", outputs=Markup(", ").join(heard)))
    return said


def size_words(page: Page) -> list[Markup]:
    """Say how many were planned, how many came, when it ended and by what rule."""
    said, about = [], page.results.about
    if page.known("/study/plan/listeners") and about is not None:
        said.append(
            page.say(
                "meth.plan_listeners",
                listeners=page.counted("/study/plan/listeners", "listener"),
                panel=page.counted(page.at(about).n_listeners, "listener"),
            )
        )
    stopping = page.evidence.text("/study/plan/stopping")
    if stopping:
        said.append(page.say("meth.stopping", rule=page.user(stopping)))
    first, last = (page.evidence.text(f"/conduct/{k}_answer_at") for k in ("first", "last"))
    if first and last:
        words = {"first": written_time(page, first), "last": written_time(page, last)}
        said.append(page.say("meth.dates", **words))
    if page.results.power:
        said.append(page.say("meth.power"))
    return said


def _sound(page: Page) -> list[Markup]:
    said = []
    if page.evidence.rows("/responses"):
        said.append(page.say("meth.measured"))
    target = page.evidence.text("/study/target_name") or page.evidence.text("/target/name")
    if target and page.evidence.rows("/deviation"):
        said.append(page.say("meth.target", target=page.user(target)))
    if page.evidence.rows("/levels"):
        said.append(page.say("meth.render"))
    excerpts = [
        Markup("{} ({})").format(
            page.user(row.get("id") or ""), page.n(row.at("seconds"), "seconds")
        )
        for row in page.evidence.rows("/study/programmes")
        if row.number("seconds") is not None
    ]
    if excerpts:
        said.append(page.say("meth.programmes", excerpts=Markup(", ").join(excerpts)))
    return said


def _control(row: Row, kind: str) -> str:
    """Return where a test holds its number of control trials of a kind."""
    return row.at("controls", kind) if isinstance(row.get("controls"), Mapping) else row.at(kind)


def _questions(page: Page) -> list[Markup]:
    """Say what each test asked of each listener."""
    said = []
    for row in page.evidence.rows("/study/tests"):
        method = page.user(row.get("method") or "")
        if row.number("trials") is None:
            said.append(page.say("meth.test_bare", method=method))
        else:
            trials = page.counted(row.at("trials"), "trial")
            said.append(page.say("meth.test", method=method, trials=trials))
        if row.number("repeats"):
            times = page.counted(row.at("repeats"), "question")
            said.append(page.say("meth.repeats", times=times))
        for kind in ("identical", "obvious"):
            place = _control(row, kind)
            if page.evidence.number(place):
                count = page.counted(place, "trial")
                said.append(page.say(f"meth.control_{kind}", count=count))
        if row.number("practice"):
            count = page.counted(row.at("practice"), "trial")
            said.append(page.say("meth.practice", count=count))
    return said


def _blinding(page: Page) -> list[Markup]:
    if not page.evidence.text("/study/seed_commitment"):
        return []
    return [page.say("meth.blind"), page.say("meth.order"), page.say("meth.staff")]


def _quality(page: Page) -> list[Markup]:
    """Say how answers were checked, and who is left out of what."""
    said = []
    reliability, screened = page.results.reliability, page.results.screened
    if reliability is not None and reliability.listeners:
        said.append(page.say("meth.reliability"))
    if screened is not None and screened.rule:
        said.append(page.say("meth.screening", rule=page.user(screened.rule)))
    elif reliability is not None:
        said.append(page.say("meth.everyone"))
    playback = None if page.results.about is None else page.results.about.playback
    if playback is not None and playback.n_counted:
        counted = page.counted(page.at(playback).n_counted, "trial")
        if playback.n_stuttered:
            stuttered = page.n(page.at(playback).n_stuttered, "count")
            said.append(page.say("meth.playback_stuttered", counted=counted, stuttered=stuttered))
        else:
            said.append(page.say("meth.playback_clean", counted=counted))
    return said


def _statistics(page: Page) -> list[Markup]:
    said, results, preference = [], page.results, page.results.preference
    if results.discrimination:
        said.append(page.say("meth.discrimination"))
    if preference is not None and preference.stages:
        said.append(
            page.say("meth.preference", reference=page.quoted(preference.reference))
            if preference.reference
            else page.say("meth.preference_bare")
        )
    for key, block in (
        ("mixed", None if preference is None else preference.mixed),
        ("groups", None if preference is None else preference.classes),
        ("upgrade", results.upgrade),
        ("link", next(iter(results.link), None)),
    ):
        if block is not None and block.method:
            said.append(page.say(f"meth.{key}", method=page.user(block.method)))
    if results.ratings:
        said.append(page.say("meth.ratings"))
    if results.claims:
        said.append(page.say("meth.claims"))
    alpha = page.alpha_place()
    if alpha is not None:
        said.append(page.say("meth.alpha", alpha=page.n(alpha, "plain")))
    for row in results.long_blocks:
        if row.left_out:
            said.append(page.say("meth.left_out", what=page.user(row.what)))
    if results.about is not None:
        said.append(page.say("meth.seed", seed=page.n(page.at(results.about).seed, "count")))
    return said


def _software(page: Page) -> list[Markup]:
    """Name what computed the results, by version."""
    versions = {} if page.results.about is None else page.results.about.software
    found = [
        Markup("{} {}").format(page.user(name), page.user(value))
        for name, value in versions.items()
    ]
    return [page.say("meth.software", versions=Markup(", ").join(found))] if found else []
