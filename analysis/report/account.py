"""The account a study gives of itself: balance, methods, limits, checks."""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.csvdata import json_link
from analysis.report.evidence import Row
from analysis.report.figures import paired_bars
from analysis.report.linked import link_facts
from analysis.report.page import Block, Page, Section

__all__ = [
    "checks_section",
    "limits_section",
    "methods_section",
    "schedule_section",
    "stages_section",
]

_DASH = "\u2013"


def schedule_section(page: Page) -> Section:
    """Make the balance of presentation order."""
    declared = page.evidence.stage_rows()
    rows = [
        row
        for row in page.evidence.rows("/schedule/pairs")
        if not declared or set(page.pair_ids(row)) <= set(declared)
    ]
    if not rows:
        return page.section("schedule", [page.para("sched.none")])
    several = len({row.get("method") for row in rows}) > 1
    labels = [page.pair_text(row) + (f" ({row.get('method')})" if several else "") for row in rows]
    svg = paired_bars(
        [
            (label, row.number("first") or 0.0, row.number("second") or 0.0)
            for label, row in zip(labels, rows, strict=True)
        ],
        key="balance",
        alt="Trials in which each version of a pair was played first. The saved table holds the "
        "counts.",
        axis=page.name("sched.axis"),
        legend=(page.name("col.first"), page.name("col.second")),
        mark=page.mark,
    )
    caption = [page.say("sched.lead"), Markup("({})").format(page.panel())]
    data = page.csv_of("order-balance", rows, ("pair", "method", "first", "second"))
    return page.section("schedule", [page.figure(svg, caption, data)])


# methods -------------------------------------------------------------------------------


def _design(page: Page) -> list[Markup]:
    """Say what was compared, from the study; from the data where there is no study."""
    place = "/study"
    if not page.evidence.get(f"{place}/stages"):
        if not page.known("/results/about/n_trials"):
            return []
        return [
            page.say(
                "meth.design_bare",
                trials=page.counted("/results/about/n_trials", "trial"),
                panel=page.counted("/results/about/n_listeners", "listener"),
            )
        ]
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


def _plan(page: Page) -> list[Markup]:
    said = []
    has_panel = page.known("/results/about/n_listeners")
    if page.known("/study/plan/listeners") and has_panel:
        said.append(
            page.say(
                "meth.plan_listeners",
                listeners=page.counted("/study/plan/listeners", "listener"),
                panel=page.counted("/results/about/n_listeners", "listener"),
            )
        )
    stopping = page.evidence.text("/study/plan/stopping")
    if stopping:
        said.append(page.say("meth.stopping", rule=page.user(stopping)))
    metric = page.evidence.text("/study/plan/primary_metric")
    if metric:
        said.append(page.say("meth.metric", metric=page.user(metric)))
    return said


def _controls(page: Page, row: Row) -> list[Markup]:
    """Say how many control trials a test mixed in for each listener."""
    said = []
    for kind in ("identical", "obvious"):
        if page.evidence.number(row.at("controls", kind)):
            count = page.counted(row.at("controls", kind), "trial")
            said.append(page.say(f"meth.control_{kind}", count=count))
    return said


def _tests(page: Page) -> list[Markup]:
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
        said += _controls(page, row)
    return said


def _sound(page: Page) -> list[Markup]:
    said = []
    if page.evidence.rows("/responses"):
        said.append(page.say("meth.measured"))
    if page.evidence.rows("/levels"):
        said.append(page.say("meth.render"))
    return said


def _statistics(page: Page) -> list[Markup]:
    said = []
    if page.evidence.rows("/results/discrimination"):
        said.append(page.say("meth.discrimination"))
    if page.evidence.rows("/results/preference/stages"):
        reference = page.evidence.get("/results/preference/reference")
        said.append(
            page.say("meth.preference", reference=page.quoted(reference))
            if reference
            else page.say("meth.preference_bare")
        )
    if page.evidence.rows("/results/claims"):
        said.append(page.say("meth.claims"))
    alpha = next((p for p in ("/study/plan/alpha", "/results/about/alpha") if page.known(p)), None)
    if alpha:
        said.append(page.say("meth.alpha", alpha=page.n(alpha, "plain")))
    if page.known("/results/about/seed"):
        said.append(page.say("meth.seed", seed=page.n("/results/about/seed", "count")))
    return said


def _procedure(page: Page) -> list[Markup]:
    blind = page.evidence.text("/study/seed_commitment")
    return [*_tests(page), *([page.say("meth.blind")] if blind else []), *_playback(page)]


def _playback(page: Page) -> list[Markup]:
    """Say how the booth's sound ran, where anybody listened there."""
    place = "/results/about/playback"
    if not page.evidence.number(f"{place}/n_counted"):
        return []
    counted = page.counted(f"{place}/n_counted", "trial")
    if not page.evidence.number(f"{place}/n_stuttered"):
        return [page.say("meth.playback_clean", counted=counted)]
    stuttered = page.n(f"{place}/n_stuttered", "count")
    return [page.say("meth.playback_stuttered", counted=counted, stuttered=stuttered)]


def methods_section(page: Page) -> Section:
    """Write the methods from the plan and the data, one paragraph a subject."""
    subjects = {
        "design": [*_design(page), *_plan(page)],
        "sound": _sound(page),
        "procedure": _procedure(page),
        "statistics": _statistics(page),
    }
    paragraphs = [
        Block("para", Markup("<b>{}</b> {}").format(page.say(f"meth.head_{key}"), _joined(said)))
        for key, said in subjects.items()
        if said
    ]
    return page.section(
        "methods",
        [
            page.warning("meth.simulated") if page.mark else None,
            *(paragraphs or [page.para("meth.none")]),
        ],
    )


def _joined(said: list[Markup]) -> Markup:
    return Markup(" ").join(said)


def _factor_text(page: Page, row: Row) -> Markup:
    factors = row.get("factors")
    pairs = factors.items() if isinstance(factors, dict) else ()
    return Markup(", ").join(page.user(f"{name}: {value}") for name, value in pairs)


def stages_section(page: Page) -> Section | None:
    """List the stages with their factors and what they cost; None where none are declared."""
    rows = list(page.evidence.stage_rows().values())
    if not rows:
        return None

    def shown(row: Row, key: str, kind: str) -> object:
        return page.n(row.at(key), kind) if row.number(key) is not None else _DASH

    cells = [
        [
            page.stage(row.get("id")),
            Markup("<code>{}</code>").format(page.user(row.get("id"))),
            _factor_text(page, row),
            shown(row, "cost", "money"),
            shown(row, "labour_h", "hours"),
        ]
        for row in rows
    ]
    columns = ["stage", "id", "factors", "cost", "labour"]
    return page.section("stages", [page.table(columns, cells, style="words")])


# limits --------------------------------------------------------------------------------


def _link_words(page: Page) -> list[Markup]:
    """Say what measurement can and cannot do here; the number of stages decides."""
    row = next(iter(page.evidence.rows("/results/link")), None)
    stages = page.evidence.get("/study/stages") or page.evidence.get("/results/preference/stages")
    place = "/study/stages" if page.evidence.get("/study/stages") else "/results/preference/stages"
    count = row.number("n_stages") if row else (len(stages) if stages else None)
    if count is None:
        return []
    facts = link_facts(page, row) if row else page.about(n_stages=int(count))
    counted = (
        page.counted(row.at("n_stages"), "stage")
        if row and row.number("n_stages") is not None
        else page.counted(place, "stage", "length")
    )
    first = page.first(facts, "lim.few_stages", "lim.link", "lim.no_link", stages=counted)
    if count < 6:
        return [first, page.say("lim.few_stages_can", facts)]
    return [first]


def limits_section(page: Page) -> Section:
    """Say what these data can and cannot say, and the cautions."""
    items = [page.say(key) for key in ("lim.tonal", "lim.left_out", "lim.scope", "lim.bridge")]
    if page.evidence.rows("/results/preference/stages"):
        items.append(page.say("lim.average"))
    if page.evidence.rows("/results/discrimination"):
        items.append(page.say("lim.null"))
    items += _link_words(page)
    items += [page.say(key) for key in ("lim.many_looks", "lim.work", "lim.ears")]
    return page.section("limits", [Block("list", items)])


# checks --------------------------------------------------------------------------------


def _check_table(page: Page) -> list[Block | None]:
    rows = page.evidence.rows("/level_check")
    if not rows:
        return []
    cells = []
    for row in rows:
        passed = bool(row.get("passed"))
        outcome = page.say("chk.passed" if passed else "chk.failed")
        cells.append(
            [
                page.user(row.get("words") or row.get("name") or ""),
                Markup('<span class="{}">{}</span>').format("ok" if passed else "bad", outcome),
                page.n(row.at("figure"), "check"),
                page.n(row.at("limit"), "plain"),
            ]
        )
    failed = any(not row.get("passed") for row in rows)
    return [
        Block("heading", page.say("chk.levels")),
        page.warning("chk.any_failed") if failed else None,
        page.table(["check", "outcome", "figure", "limit"], cells),
    ]


def _pairs_table(page: Page, pointer: str, title: str) -> list[Block]:
    fields = page.evidence.fields(pointer)
    if not fields:
        return []
    cells = [
        [page.user(key), Markup("<code>{}</code>").format(page.user(value))]
        for key, _, value in fields
    ]
    return [
        Block("heading", page.say(title)),
        page.table(["what", "value"], cells, style="facts"),
    ]


def _seal(page: Page) -> list[Block | None]:
    commitment = page.evidence.text("/study/seed_commitment")
    if not commitment:
        return []
    seed = page.evidence.text("/study/seed")
    code = Markup("<code>{}</code>")
    return [
        page.para("chk.commitment", hash=code.format(page.user(commitment))),
        page.para("chk.seed", seed=code.format(page.user(seed)))
        if seed
        else page.para("chk.seed_hidden"),
    ]


def _how(page: Page) -> list[Block]:
    link = json_link("evidence", page.evidence.data, simulated=page.facts.simulated)
    anchor = Markup('<a download="{}" href="{}">{}</a>').format(
        link["file"], link["href"], page.say("title.evidence")
    )
    return [
        page.para(
            "chk.how",
            verify=Markup("<code>earwitness verify</code>"),
            analyse=Markup("<code>earwitness analyse</code>"),
        ),
        page.para("chk.numbers", link=anchor),
        page.note("chk.made"),
    ]


def checks_section(page: Page) -> Section:
    """Make checks, hashes, versions and the way to check again."""
    facts = [
        *_pairs_table(page, "/hashes", "chk.hashes"),
        *_pairs_table(page, "/software", "chk.software"),
    ]
    return page.section(
        "checks",
        [
            *_check_table(page),
            *_seal(page),
            *(facts or [page.para("chk.none")]),
            *_how(page),
        ],
    )
