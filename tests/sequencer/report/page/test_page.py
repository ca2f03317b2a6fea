"""The page of a run as text: all that belongs on it, nothing from outside, nothing unescaped."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from html.parser import HTMLParser

import numpy as np
import pytest

from sequencer.record import ResultRow, RunInfo, RunWriter, Store
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.report.page.page import page
from tests.sequencer.report.conftest import verdicts
from tests.sequencer.report.rows_on_record import row
from tests.sequencer.report.shipped_runs import run_of

# What HTML closes by itself.
VOID = {"meta", "img", "br", "line"}
NASTY = '</script><script>alert("x")</script><b>&amp;'


class Outline(HTMLParser):
    """Which elements a page has, and whether they are closed in their order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.names: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.said: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.attributes += [(tag, key, value) for key, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("script", "style"):
            self.said.append(" ".join(data.split()))


def outline(text: str) -> Outline:
    found = Outline()
    found.feed(text)
    assert found.open == []
    return found


def test_the_page_says_what_was_tested_how_it_ended_and_how_to_repeat_it() -> None:
    run = run_of("characterise-supercapacitor")
    said = outline(page(run)).said
    results = {line.name: line.text for line in run.results() if line.name}
    for words in (
        "Dry run on a simulated bench, seed 0",
        "Supercapacitor: capacitance and internal resistance",
        "Finished, and every expectation is met.",
        results["C"],
        results["R"],
        "✓ met",
        "smu: voltage over time",
        "bank energy",
        "RIDGE DEMO-SMU 451266 1.0",
        "smu off",
        run.meta.recipe_sha256,
    ):
        assert any(words in part for part in said), words
    assert any(part.startswith("fusewire dry-run characterise-supercapacitor") for part in said)
    assert any(part.startswith("Stored energy:") for part in said)


def test_the_page_asks_for_nothing_from_outside() -> None:
    text = page(run_of("sweep-diode"))
    found = outline(text)
    links = [value for _, key, value in found.attributes if key in ("src", "href")]
    assert all(value and value.startswith(("#", "data:")) for value in links)
    assert "@import" not in text
    assert "url(" not in text
    assert "default-src 'none'" in text


def test_every_picture_has_words_and_every_table_has_heads() -> None:
    found = outline(page(run_of("characterise-supercapacitor")))
    alternatives = [value for tag, key, value in found.attributes if (tag, key) == ("img", "alt")]
    assert len(alternatives) == found.names.count("img") == 6
    assert all(value and len(value) > 40 for value in alternatives)
    assert found.names.count("caption") == found.names.count("table") == found.names.count("thead")
    anchors = {value for _, key, value in found.attributes if key == "id"}
    links = {value for tag, key, value in found.attributes if (tag, key) == ("a", "href")}
    assert {f"#{anchor}" for anchor in anchors} >= links


def test_the_points_of_a_plot_are_those_of_its_trace_to_six_digits() -> None:
    run = run_of("sweep-diode")
    first = re.findall(r'<script type="application/json">(.*?)</script>', page(run))[0]
    plot = json.loads(first)
    assert (plot["x"]["label"], plot["y"]["label"]) == ("voltage (mV)", "current (A)")
    assert plot["y"]["logarithmic"]
    columns = run.trace("curve").columns
    (curve,) = plot["curves"]
    span = 1e3 * np.ptp(columns["smu.voltage"])
    np.testing.assert_allclose(curve["x"], 1e3 * columns["smu.voltage"], atol=1e-6 * span)
    np.testing.assert_allclose(curve["y"], columns["smu.current"], rtol=1e-5)


def test_what_a_stranger_wrote_stays_text(store: Store, begin: Callable[..., RunWriter]) -> None:
    recipe = f'recipe "nasty"\nabout "{NASTY.replace(chr(34), "")}"\n'
    writer = store.begin(
        RunInfo(NASTY, recipe, f"{NASTY}.recipe", "dry run", seed=0, bench=f"# {NASTY}",
                settings={NASTY: NASTY}, specifications={"x": NASTY})
    )  # fmt: skip
    writer.trace(0, NASTY, ["smu"])
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    stream.append(row(0.0, 1.0, 0.1, trace=0))
    writer.event(0.0, "identity", NASTY, "smu")
    writer.note(0.0, NASTY, "person")
    writer.results([ResultRow("C", 1.0, "F", NASTY, NASTY, "", NASTY, NASTY)])
    writer.end("failed", 4, NASTY)
    text = page(store.run(writer.id))
    found = outline(text)
    assert 'alert("x")' not in re.sub(r"&[a-z#0-9]+;", "", text)
    assert (
        found.names.count("script") == text.count("<script") == 2 + text.count("application/json")
    )
    assert sum(NASTY in part for part in found.said) >= 6


@pytest.mark.parametrize(
    ("outcome", "code", "words", "said", "tone"),
    [
        ("finished", 0, "", "Finished.", "good"),
        ("finished", 0, "met, met", "Finished, and every expectation is met.", "good"),
        (
            *("finished", 0, "met, not applicable"),
            *("Finished; every expectation that applies is met, 1 not applicable.", "unsure"),
        ),
        (
            *("finished", 0, "not applicable"),
            *("Finished; nothing was judged, since its expectation does not apply.", "unsure"),
        ),
        ("finished", 1, "met, not met", "Finished, but not every expectation is met.", "unsure"),
        ("tripped", 3, "", "Tripped: over the rating", "bad"),
        ("failed", 4, "", "Failed: over the rating", "bad"),
        ("stopped by the person", 5, "", "Stopped by you: over the rating", "unsure"),
        (None, None, "", "Still running.", "unsure"),
    ],
)
def test_how_it_ended_is_said_first(
    store: Store,
    begin: Callable[..., RunWriter],
    outcome: str | None,
    code: int | None,
    words: str,
    said: str,
    tone: str,
) -> None:
    writer = begin()
    writer.results(verdicts(*filter(None, words.split(", "))))
    if outcome is not None:
        writer.end(outcome, code, "over the rating" if code not in (0, 1) else "")
    text = page(store.run(writer.id))
    assert f'<p class="outcome {tone}">{said}</p>' in text
    assert text.count("✓") == words.split(", ").count("met")
    assert ("– not applicable" in text) == ("not applicable" in words)


def test_a_million_readings_make_a_page_below_five_megabytes(
    store: Store, begin: Callable[..., RunWriter]
) -> None:
    writer = begin()
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    rng = np.random.default_rng(1)
    count = 1_000_000
    time = np.arange(count) * 1.0
    noise = rng.normal(size=count)
    columns = [time, 2.7 + 1e-3 * noise, 1e-3 * np.roll(noise, 1)]
    columns += [np.zeros(count)] * (len(CHANNEL_COLUMNS) - 3)
    stream.extend(columns, count)
    stream.flush()
    writer.end("finished", 0)
    assert len(page(store.run(writer.id)).encode()) < 5_000_000
