"""Pooling what clinics share: equal to the whole where it can be, and clear where it cannot."""

import copy
import json
from pathlib import Path

import pandas as pd
import pytest
import rungwise as rw
from rungwise.audit.pool import HIDDEN_DIFFER, NotPooled, pool, pool_files, pooled_document
from rungwise.audit.sharing import SETTINGS, _counts, share, shared_document
from rungwise.audit.suppression import CELLS, SUMS
from rungwise.tables.practice import Practice

DEMO = Path(__file__).parents[2] / "data_demo" / "practice"
QUARTER, TODAY = "2026Q3", "2026-10-20"


@pytest.fixture(scope="module")
def audits(tmp_path_factory):
    """The demo practice as a whole, and each of its two sites as a clinic of its own."""
    made = {"whole": rw.audit_quarter(rw.read_caseload(DEMO), QUARTER, today=TODAY)}
    children = pd.read_csv(DEMO / "children.csv", dtype=str)
    for site, codes in children.groupby("site")["child_id"]:
        folder = tmp_path_factory.mktemp(str(site))
        for file in DEMO.glob("*.csv"):
            table = pd.read_csv(file, dtype=str)
            table.loc[table["child_id"].isin(codes) if "child_id" in table else slice(None)].to_csv(
                folder / file.name, index=False
            )
        settings = (DEMO / "practice.toml").read_text(encoding="utf-8")
        label = settings.splitlines()[1]
        (folder / "practice.toml").write_text(
            settings.replace(label, f'label = "{site}"'), encoding="utf-8"
        )
        made[str(site)] = rw.audit_quarter(rw.read_caseload(folder), QUARTER, today=TODAY)
    return made


def editions(audits, threshold):
    practice = Practice(sharing_threshold=threshold)
    return [shared_document(share(audits[name], practice)) for name in ("Harbor", "Headland")]


def test_without_hidden_numbers_two_sites_are_the_whole(audits):
    pooled = pool(editions(audits, 1))
    whole = audits["whole"]
    counts = _counts(whole)
    assert counts["judged"] >= 10
    assert {name: found.low for name, found in pooled.children.items()} == counts
    assert all(found.exact for found in pooled.children.values())
    share_of_all = whole.shares.set_index("code").loc["fell"]
    assert pooled.fell.value == share_of_all["share"]
    assert pooled.fell.ci_low == pytest.approx(share_of_all["ci_low"], rel=1e-12)
    assert pooled.fell_at_least == pooled.fell_at_most == pooled.fell.value
    assert pooled.width_cost == pytest.approx(1)
    assert "cost nothing" in pooled.cost
    assert HIDDEN_DIFFER not in pooled.cautions
    # Means and limits were shared to two decimals.
    assert pooled.mean_nap.n == whole.headline.n
    assert pooled.mean_nap.value == pytest.approx(whole.headline.value, abs=0.005)
    assert pooled.mean_nap.ci_low == pytest.approx(whole.headline.ci_low, abs=0.012)
    assert pooled.mean_nap.ci_high == pytest.approx(whole.headline.ci_high, abs=0.012)


@pytest.mark.parametrize("threshold", [3, 5, 8])
def test_with_hidden_numbers_the_truth_is_always_within(audits, threshold):
    documents = editions(audits, threshold)
    pooled = pool(documents)
    counts = _counts(audits["whole"])
    for name, count in counts.items():
        assert pooled.children[name].low <= count <= pooled.children[name].high, name
    hidden = [name for name in CELLS if any(one["children"][name] is None for one in documents)]
    assert hidden
    assert any(not pooled.children[name].exact for name in hidden)
    if counts["judged"] and pooled.fell_at_least == pooled.fell_at_least:
        assert pooled.fell_at_least <= counts["fell"] / counts["judged"] <= pooled.fell_at_most


def hidden(documents):
    """Hide who fell at the second clinic, as a threshold would."""
    documents = copy.deepcopy(documents)
    for name in ("fell", "fell_beyond", "fell_other", "unchanged"):
        documents[1]["children"][name] = None
    return documents


def test_what_hiding_costs_is_said(audits):
    documents = editions(audits, 1)
    open_one, pooled = pool(documents), pool(hidden(documents))
    first = documents[0]["children"]
    assert pooled.fell.n == first["judged"]
    assert pooled.fell.counts["count"] == first["fell"]
    assert pooled.fell.counts["clinics"] == 1
    assert pooled.width_cost > 1.1
    assert f"{pooled.children['fell']} of {open_one.children['judged']} children" in pooled.cost
    assert "times as wide" in pooled.cost
    assert "counted in 1 of 2 clinics" in pooled.answer
    assert HIDDEN_DIFFER in pooled.cautions
    assert pooled.fell_at_least < open_one.fell.value < pooled.fell_at_most


def test_clinics_as_random_effects_answer_another_question(audits):
    pooled = pool(editions(audits, 1))
    assert pooled.by_clinic.average.n == 2
    assert any("fewer than 5 effects" in caution for caution in pooled.cautions)
    assert "about children and about clinics" in " ".join(pooled.sentences)


def test_editions_made_under_different_rules_are_refused(audits):
    one, two = editions(audits, 5)
    with pytest.raises(NotPooled, match="quarter differs"):
        pool([one, two | {"quarter": "2026Q2"}])
    with pytest.raises(NotPooled, match="last day whose records were used differs"):
        pool([one, two | {"as_of": "2026-09-12"}])
    with pytest.raises(NotPooled, match="edition 2 is of version 1; this release pools version 2"):
        pool([one, two | {"version": 1}])
    with pytest.raises(NotPooled, match="children would count twice"):
        pool([one, one])
    with pytest.raises(NotPooled, match="at least two clinics; got 1"):
        pool([one])


@pytest.mark.parametrize("setting", SETTINGS)
def test_every_rule_must_be_the_same(audits, setting):
    one, two = editions(audits, 5)
    pool([one, two])
    other = {"primary_rating": "before", "fear_better": "higher"}.get(setting, 7)
    changed = two | {"settings": two["settings"] | {setting: other}}
    words = SETTINGS[setting][0].lower() + SETTINGS[setting][1:]
    with pytest.raises(NotPooled) as caught:
        pool([one, changed], names=["a", "b"])
    assert f"{words} differs (a: {one['settings'][setting]} and b: {other})" in str(caught.value)


def test_the_interval_is_of_the_level_the_clinics_chose(audits):
    documents = editions(audits, 1)
    wide = [one | {"settings": one["settings"] | {"alpha": 0.1}} for one in documents]
    assert (pool(documents).mean_nap.confidence, pool(wide).mean_nap.confidence) == (0.95, 0.9)


def test_different_recording_levels_are_pooled_with_a_caution(audits):
    one, two = editions(audits, 1)
    same, mixed = pool([one, two]), pool([one, two | {"recording_level": 1}])
    assert not [caution for caution in same.cautions if "Recording levels differ" in caution]
    assert any("Recording levels differ (1 and 3)" in caution for caution in mixed.cautions)


def test_without_any_average_that_is_said(audits):
    pooled = pool([one | {"mean_nap": None} for one in editions(audits, 1)])
    assert pooled.mean_nap.n == 0
    assert any("no average over all children" in caution for caution in pooled.cautions)


def test_what_is_no_edition_for_sharing_is_refused(audits, tmp_path):
    one, two = editions(audits, 5)
    with pytest.raises(ValueError, match="edition 2 must be the JSON of an audit's edition for sharing"):
        pool([one, {"document": "rungwise audit"}])
    short = copy.deepcopy(two)
    del short["children"]["fell"]
    with pytest.raises(ValueError, match="edition 2 is not whole"):
        pool([one, short])
    with pytest.raises(ValueError, match="edition 2 does not state every rule"):
        pool([one, two | {"settings": {"alpha": 0.05}}])
    (tmp_path / "a.json").write_text("{", encoding="utf-8")
    with pytest.raises(ValueError, match=r"a\.json is no JSON file"):
        pool_files([tmp_path / "a.json"])


def test_files_give_what_documents_give(audits, tmp_path):
    documents = editions(audits, 5)
    paths = [tmp_path / f"{place}.json" for place in range(2)]
    for path, document in zip(paths, documents, strict=True):
        path.write_text(json.dumps(document), encoding="utf-8")
    from_files, straight = pool_files(paths), pool(documents)
    assert pooled_document(from_files) == pooled_document(straight)
    # Plain JSON: no NaN and no infinity.
    assert json.loads(json.dumps(pooled_document(straight), allow_nan=False))["quarter"] == QUARTER


def test_serious_incidents_and_silence_are_kept_apart(audits):
    one, two = editions(audits, 1)
    some = one | {"serious_incidents": "one or more", "incidents": 7, "occasions": 200}
    silent = two | {"serious_incidents": "not recorded", "incidents": None, "occasions": None}
    said = pool([some, silent]).sentences[-1]
    assert "one or more in 1 clinic" in said
    assert "1 clinic recorded no incidents at all, which is not zero" in said
    assert "7 incidents over 200 occasions in 1 clinic" in said
    assert pool([some, silent]).incidents.high == float("inf")


def test_sums_of_ranges_respect_the_sums_of_numbers(audits):
    pooled = pool(hidden(editions(audits, 1)))
    for total, parts in SUMS:
        low = sum(pooled.children[part].low for part in parts)
        assert low <= pooled.children[total].high
    assert set(pooled.table["cell"]) == set(CELLS)
