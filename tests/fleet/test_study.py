"""A study of many packages against judging each by itself."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from dfmcheck.capability import Shop, load_shop, shop_names
from dfmcheck.fleet.costs import Cost
from dfmcheck.fleet.dataset import Dataset, Identity, places_from, row_from, screening_of
from dfmcheck.fleet.study import Study, study
from dfmcheck.fleet.study_html import to_html
from dfmcheck.fleet.study_json import to_json
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Judgement
from dfmcheck.measure.rule import rules
from dfmcheck.measure.screening import Screening
from tests.fleet.conftest import COUNT, run

Judged = dict[str, Judgement]
CASES = [(name, tier) for name in shop_names() for tier in load_shop(name).tiers]


@pytest.fixture(scope="module")
def screenings(screened: Path) -> dict[str, Screening]:
    """Every screening of the data set, by package."""
    store, out = Dataset(screened), {}
    for row in store.jobs().to_pylist():
        if row["state"] == "screened":
            identity = Identity(row["package"], row["customer"], row["key"], row["hash"])
            job, places = store.read(identity)
            out[row["package"]] = screening_of(row_from(job), places_from(places))
    return out


def each(screenings: dict[str, Screening], shop: Shop, tier: str) -> Judged:
    known = rules()
    return {name: judge(one, shop, tier=tier, rules=known) for name, one in screenings.items()}


def held_by_data(judgement: Judgement) -> bool:
    return any(f.severity == "hold" and f.measured is None for f in judgement.findings)


@pytest.mark.parametrize(("name", "tier"), CASES)
def test_numbers_are_those_of_judging_each(
    screened: Path, screenings: dict[str, Screening], name: str, tier: str
) -> None:
    shop = load_shop(name)
    answers = study(screened, shop, rules(), tier=tier)
    judged = each(screenings, shop, tier)
    verdicts = Counter(str(one.verdict) for one in judged.values())
    verdicts["hold"] += 1  # the one that cannot be opened
    assert answers.verdicts == {v: verdicts[v] for v in ("release", "query", "hold")}
    assert (answers.jobs, answers.unopened, answers.not_screened) == (COUNT + 1, 1, 0)

    jobs: Counter[tuple[str, str]] = Counter()
    places: Counter[tuple[str, str]] = Counter()
    for one in judged.values():
        jobs.update({(f.rule, f.severity) for f in one.findings})
        for f in one.findings:
            places[f.rule, f.severity] += f.count
    assert {(c.rule, c.severity): (c.jobs, c.places) for c in answers.common} == {
        key: (jobs[key], places[key]) for key in jobs
    }
    for n, share in enumerate(answers.tier_shares):
        takes = [one for one in judged.values() if one.tier_fit[n].fits]
        first = [one for one in takes if not any(fit.fits for fit in one.tier_fit[:n])]
        assert (share.tier, share.takes, share.first) == (shop.tiers[n], len(takes), len(first))
    assert answers.no_tier == sum(not any(f.fits for f in j.tier_fit) for j in judged.values())
    for row in answers.customers:
        mine = [j for p, j in judged.items() if p.split("/")[0] == row.customer]
        count = Counter(str(one.verdict) for one in mine)
        count["hold"] += row.customer == "Chapel Row School"
        assert row.verdicts == {v: count[v] for v in ("release", "query", "hold")}


def with_limit(shop: Shop, cost: Cost, entry: int, value: float) -> Shop:
    """The shop with one value of one entry of a limit changed."""
    limit = shop.limits[cost.rule]
    if entry == 0:
        limit = replace(limit, values={**limit.values, cost.tier: value})
    else:
        variants = list(limit.variants)
        old = variants[entry - 1]
        variants[entry - 1] = replace(old, values={**old.values, cost.tier: value})
        limit = replace(limit, variants=tuple(variants))
    return replace(shop, limits={**shop.limits, cost.rule: limit})


def entry_of(shop: Shop, cost: Cost) -> int:
    from dfmcheck.fleet.costs import condition

    limit = shop.limits[cost.rule]
    entries = range(len(limit.variants) + 1)
    return next(n for n in entries if condition(limit, n) == cost.condition)


def moves(costs: tuple[Cost, ...]) -> Iterator[tuple[Cost, float, int]]:
    for cost in costs:
        for move in cost.moves:
            if move.jobs is not None:
                yield cost, move.value, move.jobs


def test_a_moved_limit_frees_the_jobs_that_judging_frees(
    screened: Path, screenings: dict[str, Screening]
) -> None:
    """Each value tried is put into the shop and every package is judged by it."""
    shop = load_shop("volume")
    answers = study(screened, shop, rules())
    before = {n for n, j in each(screenings, shop, answers.tier).items() if j.verdict == "hold"}
    assert answers.held_by.jobs == len(before) + 1
    tried = list(moves(answers.holds))
    assert any(jobs for _, _, jobs in tried), "no limit frees a job: the packages show nothing"
    for cost, value, jobs in tried:
        moved = each(screenings, with_limit(shop, cost, entry_of(shop, cost), value), answers.tier)
        after = {name for name, judgement in moved.items() if judgement.verdict == "hold"}
        assert after <= before
        assert len(before) - len(after) == jobs, (cost.rule, cost.condition, value)


def test_a_moved_limit_lets_in_the_jobs_that_the_tier_then_takes(
    screened: Path, screenings: dict[str, Screening]
) -> None:
    shop = load_shop("volume")
    answers = study(screened, shop, rules())
    tier = answers.tier
    n = shop.tiers.index(tier)

    def taken(judged: Judged) -> set[str]:
        return {p for p, j in judged.items() if j.tier_fit[n].fits and not held_by_data(j)}

    before = taken(each(screenings, shop, tier))
    assert answers.kept_out_by.jobs == COUNT + 1 - len(before)
    tried = list(moves(answers.tier_costs))
    assert any(jobs > 0 for _, _, jobs in tried) and any(jobs < 0 for _, _, jobs in tried)
    for cost, value, jobs in tried:
        changed = with_limit(shop, cost, entry_of(shop, cost), value)
        after = taken(each(screenings, changed, tier))
        assert len(after) - len(before) == jobs, (cost.rule, cost.condition, value)


def test_alone_and_shared_are_the_jobs_with_one_reason_and_with_more(
    screened: Path, screenings: dict[str, Screening]
) -> None:
    shop = load_shop("volume")
    answers = study(screened, shop, rules())
    alone: Counter[str] = Counter()
    shared: Counter[str] = Counter()
    for judgement in each(screenings, shop, answers.tier).values():
        held = {f.rule for f in judgement.findings if f.severity == "hold"}
        for rule in held:
            (alone if len(held) == 1 else shared)[rule] += 1
    for cost in answers.holds:
        if not shop.limits[cost.rule].variants:
            assert (cost.alone, cost.shared) == (alone[cost.rule], shared[cost.rule]), cost.rule
    kept = answers.held_by
    assert kept.jobs == kept.one_limit + kept.several_limits + kept.data + kept.both
    assert sum(cost.alone for cost in answers.holds) == kept.one_limit


def test_steps_end_where_every_job_is_let_in(screened: Path) -> None:
    answers = study(screened, load_shop("volume"), rules())
    for cost in (*answers.holds, *answers.tier_costs):
        assert [jobs for _, jobs in cost.steps] == list(range(1, cost.alone + 1))
        values = [value for value, _ in cost.steps]
        assert values == sorted(values, reverse=not cost.at_most)


def test_values_given_are_tried(screened: Path) -> None:
    wanted = {"etch.conductor-spacing": [0.11, 0.05, 0.2]}
    answers = study(screened, load_shop("volume"), rules(), moves=wanted)
    (cost,) = [c for c in answers.tier_costs
               if c.rule == "etch.conductor-spacing" and not c.condition]  # fmt: skip
    assert [move.value for move in cost.moves] == [0.2, 0.11, 0.05]


def test_a_limit_beyond_what_was_measured_is_not_told(screened: Path) -> None:
    wanted = {"etch.conductor-spacing": [5.0]}
    answers = study(screened, load_shop("volume"), rules(), moves=wanted)
    told = [m.jobs for c in answers.tier_costs if c.rule in wanted for m in c.moves]
    assert told and set(told) == {None}


@pytest.fixture(scope="module")
def answers(screened: Path) -> Study:
    return study(screened, load_shop("volume"), rules())


def test_json_has_all_and_holds_no_nan(answers: Study) -> None:
    text = json.dumps(to_json(answers), allow_nan=False)
    read = json.loads(text)
    assert read["verdicts"] == answers.verdicts
    assert read["holds"][0]["rule"] == answers.holds[0].rule
    assert read["failures"][0]["package"] == "Chapel Row School/torn.zip"
    assert "no certificate" in read["caution"]


def test_html_needs_nothing_else_and_runs_no_script(answers: Study) -> None:
    page = to_html(answers)
    assert "<script" not in page and "http" not in page.replace("http-equiv", "")
    assert not re.search(r"\bon\w+=", page)
    assert page.count("<svg") == page.count("</svg>") >= 4
    for cost in answers.tier_costs[:10]:
        assert cost.rule in page
    assert "torn.zip" in page


def test_names_from_outside_are_escaped(own: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as parquet

    from dfmcheck.fleet.dataset import job_schema

    file = next(own.glob("jobs/*/*.parquet"))
    row = row_from(file.read_bytes())
    row["customer"] = "<script>alert(1)</script>\x1b[2J"
    parquet.write_table(pa.Table.from_pylist([row], schema=job_schema()), file)
    page = to_html(study(own, load_shop("volume"), rules()))
    assert "<script" not in page and "\x1b" not in page and "&lt;script" in page


def test_terminal_says_the_numbers(screened: Path, answers: Study, tmp_path: Path) -> None:
    told = run("study", screened, "--shop", "volume", "--html", tmp_path / "s.html", "--sweep",
               "etch.conductor-spacing=0.11,0.09")  # fmt: skip
    assert told.returncode == 0, told.stderr
    assert f"{COUNT + 1} packages" in told.stdout
    for name, count in answers.verdicts.items():
        assert re.search(rf"{name}\s+{count}\b", told.stdout)
    assert "etch.conductor-spacing at 0.125 mm, tier standard: 0.110 mm" in told.stdout
    assert "torn.zip" in told.stdout
    assert (tmp_path / "s.html").read_text().startswith("<!doctype html>")


@pytest.mark.parametrize("width", [80, 120])
def test_tables_are_whole_on_a_terminal_of_any_width(answers: Study, width: int) -> None:
    from io import StringIO

    from rich.console import Console

    from dfmcheck.fleet.study_terminal import render

    out = StringIO()
    render(answers, Console(file=out, width=width, color_system=None), limit=None)
    lines = out.getvalue().splitlines()
    assert max(map(len, lines)) <= width
    heads = [line.split() for line in lines if line.split()[:1] == ["limit"]]
    few = ["+10%", "+20%", "+30%", "+50%"]
    many = ["+10%", "+20%", "+30%", "+40%", "+50%"]
    steps = few if width < 110 else many
    tighter = ["-10%"] if width < 110 else ["-20%", "-10%"]
    assert [head[4:] for head in heads] == [steps, tighter + steps]
    told = {line.strip() for line in lines}
    for cost in answers.tier_costs:  # no id is cut or broken
        assert any(line == cost.rule or line.startswith(f"{cost.rule} ") for line in told)
    for row in answers.customers:
        for rule, jobs in row.commonest:
            assert any(
                line.endswith(f" {rule} {jobs}") or line == f"{rule} {jobs}" for line in told
            )


def test_counts_of_one_are_told_as_one(answers: Study) -> None:
    from dfmcheck.fleet.study_words import unopened

    assert unopened(answers) == "1 of the holds is a package that could not be opened"
    two = replace(answers, jobs=2, unopened=2, doubted=1, not_screened=1)
    assert unopened(two) == "2 of the holds are packages that could not be opened"
    page = to_html(two)
    assert "Not wholly measured: 1 job," in page and "Not screened: 1 package<" in page
    assert "1 packages" not in to_html(replace(answers, jobs=1))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--sweep", "etch.conductor-spacing"), "RULE=VALUE,VALUE"),
        (("--sweep", "etch.conductor-spacing=wide"), "RULE=VALUE,VALUE"),
        (("--sweep", "etch.conductor-spacing=nan"), "RULE=VALUE,VALUE"),
        (("--sweep", "etch.nothing=0.1"), "has no such limit"),
        (("--tier", "finest"), "no tier 'finest'"),
    ],
)
def test_wrong_use_is_one_sentence(screened: Path, arguments: tuple[str, ...], words: str) -> None:
    told = run("study", screened, "--shop", "volume", *arguments)
    assert told.returncode == 2 and words in told.stderr and "Traceback" not in told.stderr


def test_a_folder_that_is_no_data_set_says_so(tmp_path: Path) -> None:
    told = run("study", tmp_path, "--shop", "volume")
    assert told.returncode == 2 and "holds no package" in told.stderr
