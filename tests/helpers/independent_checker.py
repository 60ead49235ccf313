"""A second checker of evidence bundles, written from the bundle's page in the documentation.

It imports nothing of the project and nothing outside Python's standard library, so that what the
page says is all it knows. It covers whole sittings of the methods about pairs, and of the results
the counts, shares, exact p-values and Wilson intervals.

Run it as ``python -I independent_checker.py BUNDLE``: one line a finding, exit code 1 if any fails.
"""

import csv
import hashlib
import io
import itertools
import json
import math
import sys
import tomllib
import zipfile

KEYS = {"abx": 2, "duo-trio": 2, "same-different": 2, "triangle": 3}
PRACTICE = {"abx": 2, "duo-trio": 2, "same-different": 2, "triangle": 2}
CHANCE = {"abx": 1 / 2, "duo-trio": 1 / 2, "same-different": 1 / 2, "triangle": 1 / 3}
PAIR_METHODS = {*KEYS, "paired"}


def sha(data):
    return hashlib.sha256(data).hexdigest()


class Stream:
    """Draws named by labels."""

    def __init__(self, seed, name):
        self.key = hashlib.sha256(seed + b"\0" + name.encode()).digest()
        self.words = self.endless()

    def endless(self):
        for i in itertools.count():
            block = hashlib.sha256(self.key + i.to_bytes(8, "big")).digest()
            for start in range(0, 32, 8):
                yield int.from_bytes(block[start : start + 8], "big")

    def below(self, n):
        limit = 2**64 // n * n
        return next(word for word in self.words if word < limit) % n

    def shuffled(self, items):
        found = list(items)
        for last in range(len(found) - 1, 0, -1):
            other = self.below(last + 1)
            found[last], found[other] = found[other], found[last]
        return found


# Schedule ---------------------------------------------------------------------------------


def tests_of(study):
    order = [stage["id"] for stage in study["stages"]]
    for test in study["tests"]:
        if "pairs" in test:
            units = [tuple(pair) for pair in test["pairs"]]
            stages = [stage for stage in order if any(stage in pair for pair in units)]
        else:
            chosen = order if test["stages"] == "all" else test["stages"]
            stages = [stage for stage in order if stage in chosen]
            units = list(itertools.combinations(stages, 2))
        yield test, stages, units


def versions(method, unit, orientation, key):
    one, other = unit if orientation == 0 else unit[::-1]
    if method == "triangle":
        return [["abc"[place], one if place == key else other] for place in range(3)]
    if method == "same-different":
        return [["a", one], ["b", one if key == 1 else other]]
    pair = [["a", one], ["b", other]]
    x = ["x", (one, other)[key]]
    return {"abx": [*pair, x], "duo-trio": [x, *pair], "paired": pair}[method]


class Block:
    """The trials of one test for one slot."""

    def __init__(self, study, seed, slot, number, plan):
        self.seed, self.slot, self.number = seed, slot, number
        self.test, self.stages, self.units = plan
        self.method = self.test["method"]
        self.keys = KEYS.get(self.method, 1)
        self.trials = self.test["trials"]
        self.programmes = [programme["id"] for programme in study["programmes"]]

    def stream(self, *labels):
        return Stream(self.seed, "/".join(map(str, ("test", self.number, *labels))))

    def trial(self, unit, orientation, key, programme, **more):
        return {
            "test": self.number,
            "method": self.method,
            "phase": "test",
            "programme": programme,
            "versions": versions(self.method, unit, orientation, key),
            "about": list(unit),
            "control": "",
            "repeat_of": None,
            **more,
        }

    def turn(self, u, p):
        count = self.slot * self.trials + p
        orientation = (count + self.begins(u)) % 2
        if self.keys == 1:
            return orientation, 0
        if self.trials % 2 == 0:
            group, turn = divmod(self.slot, self.keys)
        else:
            group, m = divmod(self.slot, 2 * self.keys)
            turn = m // 2 + m % 2
        return orientation, (self.stream("key", u, p, group).below(self.keys) + turn) % self.keys

    def begins(self, u):
        circle = self.stream("circle").shuffled(self.stages)
        first, second = (circle.index(stage) for stage in self.units[u])
        apart = (second - first) % len(circle)
        if 2 * apart == len(circle):
            return 0 if first < second else 1
        return 0 if 2 * apart < len(circle) else 1

    def programme(self, u, count):
        n = len(self.programmes)
        order = self.stream("programmes", u).shuffled(self.programmes)
        return order[(count + count // math.lcm(2, n)) % n if n % 2 == 0 else count % n]

    def counted(self):
        for u, unit in enumerate(self.units):
            for p in range(self.trials):
                programme = self.programme(u, self.slot * self.trials + p)
                yield (u, p), self.trial(unit, *self.turn(u, p), programme)

    def repeats(self, counted):
        wanted = min(self.test.get("repeats", 0), len(counted))
        order = self.stream("repeats").shuffled(range(len(self.units)))
        chosen = []
        for step in itertools.count(self.slot * wanted):
            if len(chosen) == wanted:
                break
            tag = order[step % len(order)], step // len(order) % self.trials
            if tag not in chosen:
                chosen.append(tag)
        for u, p in chosen:
            orientation = 1 - self.turn(u, p)[0]
            key = self.stream("repeat", self.slot, u, p).below(self.keys)
            programme = counted[u, p]["programme"]
            yield (u, p), self.trial(self.units[u], orientation, key, programme)

    def controls(self):
        asked = self.test.get("controls", {})
        kinds = [kind for kind in ("identical", "obvious") for _ in range(asked.get(kind, 0))]
        for i, kind in enumerate(kinds):
            count = self.slot * len(kinds) + i
            shift = self.stream("offset", kind, 0).below(64)
            stage = self.stages[(count + shift) % len(self.stages)]
            other = stage if kind == "identical" else f"lowpass-3500:{stage}"
            stream = self.stream("control", self.slot, i)
            orientation, key = stream.below(2), stream.below(self.keys)
            if self.method == "same-different" and kind == "obvious":
                key = 0
            programme = self.programme(0, count)
            yield self.trial((stage, other), orientation, key, programme, control=kind)

    def practice(self, before):
        shift = 0
        for i in range(self.test.get("practice", PRACTICE.get(self.method, 1))):
            stage = self.stages[(i + shift) % len(self.stages)]
            if {stage, f"lowpass-3500:{stage}"} == before:
                shift += 1
                stage = self.stages[(i + shift) % len(self.stages)]
            unit = (stage, f"lowpass-3500:{stage}")
            before = set(unit)
            stream = self.stream("practice", self.slot, i)
            orientation, key = stream.below(2), stream.below(self.keys)
            programme = self.programmes[i % len(self.programmes)]
            yield self.trial(unit, orientation, key, programme, phase="practice")

    def arranged(self, before):
        practice = list(self.practice(before))
        counted = dict(self.counted())
        # Each waiting trial: what it is, what it repeats, its place among the counted.
        items = [(trial, None, tag) for tag, trial in counted.items()]
        items += [(trial, None, None) for trial in self.controls()]
        items += [(trial, tag, None) for tag, trial in self.repeats(counted)]
        last = set(practice[-1]["about"]) if practice else before
        return practice, arrange(items, last, self.stream("order", self.slot))


def arrange(items, before, stream):
    def about(item):
        return frozenset(item[0]["about"])

    def most_frequent(waiting):
        counts = {}
        for item in waiting:
            counts[about(item)] = counts.get(about(item), 0) + 1
        return counts

    most = max(most_frequent(items).values(), default=0)
    allowed = max(0, most - (len(items) - most) - 1)
    best = None
    for _ in range(60):
        waiting, order, placed, last, faults = stream.shuffled(items), [], {}, before, 0
        while waiting:
            free = [item for item in waiting if item[1] is None or item[1] in placed]
            ready = [i for i in free if i[1] is None or len(order) - placed[i[1]] >= 3]
            fits = [item for item in ready if about(item) != last]
            if not fits:
                faults += 1
                fits = ready or free
            counts = most_frequent(waiting)
            pressing = [i for i in fits if 2 * counts[about(i)] > len(waiting)]
            chosen = (pressing or fits)[0]
            waiting = [item for item in waiting if item is not chosen]
            if chosen[2] is not None:
                placed[chosen[2]] = len(order)
            order.append(chosen)
            last = about(chosen)
        if best is None or faults < best[1]:
            best = order, faults
        if faults <= allowed:
            break
    return best[0]


def slot_trials(study, seed, slot):
    plans = list(tests_of(study))
    trials, before = [], set()
    for number in [(slot + k) % len(plans) for k in range(len(plans))]:
        block = Block(study, seed, slot, number, plans[number])
        practice, ordered = block.arranged(before)
        first = len(trials) + len(practice) + 1
        number_of = {tag: first + k for k, (_, _, tag) in enumerate(ordered) if tag is not None}
        trials += practice
        for trial, repeats, _ in ordered:
            trials.append({**trial, "repeat_of": number_of[repeats] if repeats else None})
        before = set(trials[-1]["about"])
    return [{**trial, "number": k} for k, trial in enumerate(trials, start=1)]


# Checks -----------------------------------------------------------------------------------


def check_members(archive, index):
    present = set(archive.namelist()) - {"bundle.json"}
    assert present == set(index["members"]), "the list and the members differ"
    for name, entry in index["members"].items():
        data = archive.read(name)
        assert (len(data), sha(data)) == (entry["bytes"], entry["sha256"]), name


def check_chain(rows):
    genesis = "0" * 64
    before, sessions = genesis, {}
    for number, row in enumerate(rows, start=1):
        assert row["seq"] == number, f"row {number} is missing"
        keys = ["study", "seq", "kind", "session", "session_seq", "key", "at", "body_digest"]
        hashed = [row[key] for key in (*keys, "session_prev", "prev")]
        text = json.dumps(hashed, separators=(",", ":"), ensure_ascii=False)
        assert row["digest"] == sha(text.encode()), f"row {number} was edited"
        assert row["prev"] == before, f"row {number} does not follow"
        if row["session"]:
            place, last = sessions.get(row["session"], (0, genesis))
            assert (row["session_seq"], row["session_prev"]) == (place + 1, last), number
            sessions[row["session"]] = place + 1, row["digest"]
        if row["body"] is not None:
            assert row["body_digest"] == sha(f"{row['salt']}\n{row['body']}".encode()), number
        before = row["digest"]
    times = [row["at"] for row in rows]
    assert times == sorted(times), "times run backwards"


def check_seal(rows, archive):
    opened, closed = json.loads(rows[0]["body"]), json.loads(rows[-1]["body"])
    assert (rows[0]["kind"], rows[-1]["kind"]) == ("study-opened", "study-closed")
    assert opened["study_sha256"] == sha(archive.read("study.toml")), "another study file"
    manifest = sha(archive.read("stimuli/manifest.json"))
    assert opened["manifest_sha256"] == manifest, "another manifest"
    whole = f"{opened['study_sha256']}\n{manifest}".encode()
    assert {row["study"] for row in rows} == {sha(whole)[:16]}, "another study id"
    assert opened["seed_commitment"] == sha(bytes.fromhex(closed["seed"])), "another seed"
    assert closed["head"] == rows[-2]["digest"], "rows were cut before closing"
    return bytes.fromhex(closed["seed"])


def check_schedule(study, seed, rows, schedule):
    begun = [json.loads(r["body"]) for r in rows if r["kind"] == "session-begun" and r["body"]]
    held = sorted({(body["simulated"], body["slot"]) for body in begun})
    assert [(s["simulated"], s["slot"]) for s in schedule["slots"]] == held, "other slots"
    assert {test["method"] for test in study["tests"]} <= PAIR_METHODS, "a method beyond this"
    opened = json.loads(rows[0]["body"])
    assert opened["rule"] == schedule["rule"] == "earwitness-schedule-2", "another rule"
    assert schedule["commitment"] == opened["seed_commitment"], "another commitment"
    assert schedule["seed"] == seed.hex(), "another seed"
    seeds = {False: seed, True: hashlib.sha256(b"rehearsal\0" + seed).digest()}
    for slot in schedule["slots"]:
        again = slot_trials(study, seeds[slot["simulated"]], slot["slot"])
        assert again == slot["trials"], f"slot {slot['slot']} differs from its seed"


def trial_rows(rows, schedule):
    dealt = {(s["simulated"], s["slot"]): s["trials"] for s in schedule["slots"]}
    sittings = {r["session"]: json.loads(r["body"]) for r in rows
                if r["kind"] == "session-begun" and r["body"]}  # fmt: skip
    counted = {}
    for row in rows:
        if row["kind"] != "answer" or row["body"] is None:
            continue
        body, sitting = json.loads(row["body"]), sittings[row["session"]]
        trial = dealt[sitting["simulated"], sitting["slot"]][body["number"] - 1]
        assert body["phase"] == trial["phase"], "an answer of another phase"
        if trial["phase"] != "test":
            continue
        counted[row["session"]] = counted.get(row["session"], 0) + 1
        plays = dict(trial["versions"])
        if trial["method"] == "same-different" and plays["a"] == plays["b"]:
            plays["x"] = next((s for s in trial["about"] if s != plays["a"]), "")
        yield {
            "listener": sitting["listener"],
            "session": row["session"],
            "trial": str(counted[row["session"]]),
            "question": str(body["number"]),
            "method": trial["method"],
            "programme": trial["programme"],
            **{f"stage_{name}": plays.get(name, "") for name in "abcx"},
            "answer": body["answer"],
            "control": trial["control"],
            "answered_at": row["at"],
            "simulated": str(int(sitting["simulated"])),
        }


def check_table(rows, schedule, table):
    again = list(trial_rows(rows, schedule))
    assert len(again) == len(table), "another number of rows"
    for number, (one, other) in enumerate(zip(again, table, strict=True), start=2):
        for key, value in one.items():
            assert other[key] == value, f"line {number}, {key}: {other[key]!r}, not {value!r}"


def tail(right, total, chance):
    """P(X >= right) of a binomial."""
    terms = (
        math.comb(total, k) * chance**k * (1 - chance) ** (total - k)
        for k in range(right, total + 1)
    )
    return math.fsum(terms)


def is_right(row):
    if row["method"] == "triangle":
        plays = [row["stage_a"], row["stage_b"], row["stage_c"]]
        return plays.count(row[f"stage_{row['answer']}"]) == 1
    if row["method"] == "same-different":
        return (row["answer"] == "same") == (row["stage_a"] == row["stage_b"])
    return row["stage_x"] == row[f"stage_{row['answer']}"]


def check_discrimination(table, found):
    counts = {}
    for row in table:
        if row["method"] not in CHANCE or row["control"]:
            continue
        pair = tuple(sorted({row[f"stage_{k}"] for k in "abcx"} - {""}))
        for who in (None, row["listener"]):
            cell = counts.setdefault((row["method"], pair, who), [0, 0])
            cell[0] += is_right(row)
            cell[1] += 1
    compared = 0
    for row in found:
        if row["programme"] is None:
            right, total = counts[row["method"], tuple(sorted(row["pair"])), row["listener"]]
            assert (row["n_correct"], row["n_trials"]) == (right, total), row["pair"]
            p = tail(right, total, CHANCE[row["method"]])
            assert math.isclose(row["p_value"], p, rel_tol=1e-9), row["pair"]
            compared += 1
    assert compared == len(counts)


def check_preference(table, found):
    wins = {}
    for row in table:
        if row["method"] == "paired" and not row["control"] and row["answer"] != "tie":
            other = {"a": "b", "b": "a"}[row["answer"]]
            pair = row[f"stage_{row['answer']}"], row[f"stage_{other}"]
            wins[pair] = wins.get(pair, 0) + 1
    z = 1.959963984540054  # the 97.5 % point of the normal distribution
    for row in found:
        one, other = row["pair"]
        won, lost = wins.get((one, other), 0), wins.get((other, one), 0)
        assert (row["wins"], row["losses"]) == (won, lost), row["pair"]
        n, share = won + lost, won / (won + lost)
        centre = (share + z * z / (2 * n)) / (1 + z * z / n)
        half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
        for key, value in (("share", share), ("wilson_low", centre - half)):
            assert math.isclose(row[key], value, rel_tol=1e-9, abs_tol=1e-12), (row["pair"], key)


def check_sizes(study, claims):
    """Hold every remark on size against the plan's smallest effect and the claim's interval."""
    declared = study["plan"].get("smallest_effect")
    for row in claims:
        matters = row.get("matters")
        if matters is None:
            assert row["verdict"] != "too small to matter", row["text"]
            continue
        least = declared / 100
        assert math.isclose(row["smallest_effect"], least), row["text"]
        inside = -least < row["effect_low"] and row["effect_high"] < least
        assert (row["verdict"] == "too small to matter") == (matters == "no"), row["text"]
        assert inside or matters != "no", row["text"]
        if matters == "yes":
            assert row["effect_low"] >= least or row["effect_high"] <= -least, row["text"]


def main(path):
    failed = 0

    def step(name, work):
        nonlocal failed
        try:
            result = work()
        except (AssertionError, KeyError, ValueError, TypeError) as error:
            failed += 1
            print(f"FAILS  {name}: {error}")
            return None
        print(f"holds  {name}")
        return result

    with zipfile.ZipFile(path) as archive:
        index = json.loads(archive.read("bundle.json"))
        rows = [json.loads(line) for line in archive.read("log.jsonl").splitlines()]
        study = tomllib.loads(archive.read("study.toml").decode())
        schedule = json.loads(archive.read("schedule.json"))
        results = json.loads(archive.read("results/results.json"))
        text = archive.read("results/trials.csv").decode()
        table = list(csv.DictReader(io.StringIO(text)))
        step("members", lambda: check_members(archive, index))
        step("chain", lambda: check_chain(rows))
        seed = step("seal", lambda: check_seal(rows, archive))
        if seed is not None:
            step("schedule", lambda: check_schedule(study, seed, rows, schedule))
        step("trial table", lambda: check_table(rows, schedule, table))
        step("discrimination", lambda: check_discrimination(table, results["discrimination"]))
        step("sizes", lambda: check_sizes(study, results["claims"]))
        step("preference", lambda: check_preference(table, results["preference"]["pairs"]))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
