"""What a record says of a run, for a person: how it ended, its results, how near the guards came.

Reads the record and nothing else, so that the end of a run and a look at it a year later show the
same. Texts are plain; the terminal does the folding.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drivers.sensed import SENSED, difference
from grammar.quantity import TIME, VOLTAGE, Dimension, write
from sequencer.analysis.verdicts import NOT_APPLICABLE, NOT_MET, NOT_WORKED_OUT
from sequencer.checker.facts import RATED
from sequencer.record.facts import facts_of
from sequencer.record.rows import capture_stream
from sequencer.report.terminal import Terminal

if TYPE_CHECKING:
    from sequencer.record import GuardRow, ResultRow, Run, RunRow
    from sequencer.record.rows import RunMeta

_LOUD = "!" * 72
UNKNOWN_OUTPUT = (
    "THE STATE OF THE OUTPUT IS UNKNOWN",
    "Use the instrument's own output key, then its mains switch.",
    "Don't pull live leads. Keep off until it is measured dead.",
)
_SHOWN_EVENTS = 40
_SHOWN_ROWS = 40  # of one result
LEFT_FROM_V = 0.05  # below this nothing is said of what is left on the terminals


def outcome_of(meta: RunMeta) -> str:
    """How a run ended, in words that begin a sentence."""
    match meta.outcome, meta.exit_code:
        case None, _:
            return "Still running"
        case "cut off", _:
            return "Cut off"
        case "stopped by the person", _:
            return "Stopped by you"
        case word, 1:
            return f"{_capital(word)}, but not every expectation is met"
        case word, _:
            return _capital(word)


def headline(meta: RunMeta, rows: Sequence[ResultRow]) -> str:
    """How a run ended and, where all was met that could be judged, what could not be."""
    said = outcome_of(meta)
    expected = [row for row in rows if not row.name]
    left = len(not_judged(rows))
    if meta.exit_code != 0 or not left:
        return said
    if left < len(expected):
        return f"{said}; every expectation that applies is met, {left} not applicable"
    none = "its expectation does not apply"
    if left > 1:
        none = f"none of its {left} expectations applies"
    return f"{said}; nothing was judged, since {none}"


def not_judged(rows: Sequence[ResultRow]) -> list[ResultRow]:
    """The expectations that do not apply, since what they rest on was not measured."""
    return [row for row in rows if not row.name and row.verdict == NOT_APPLICABLE]


def reason_of(run: Run) -> str:
    """Why a run ended as it did, empty where there is nothing to add.

    Where only the last switching off failed, no step has a reason to give: its event has it.
    """
    meta = run.meta
    if meta.reason not in ("", meta.outcome):
        return meta.reason
    if meta.outcome != "failed":
        return ""
    return next((event.text for event in run.events() if event.kind == "off failed"), "")


def show_ending(
    terminal: Terminal,
    run: Run,
    *,
    left: Mapping[str, float] | None = None,
    unknown: Sequence[str] = (),
) -> None:
    """The end of a run: outcome, reason, results, guard margins, what is left on the terminals.

    `left` is in volts by channel; `unknown` names channels whose output may still be on.
    """
    meta, results = run.meta, run.results()
    style = "green" if meta.exit_code == 0 else "yellow" if meta.exit_code in (1, 5) else "red"
    if style == "green" and not_judged(results):
        style = "yellow"
    reason = reason_of(run)
    said = headline(meta, results) + (":" if reason else ".")
    terminal.say(terminal.paint(terminal.paragraph(said), style))
    if reason:
        terminal.say(terminal.paragraph(reason, "  ", "  "))
    show_unknown(terminal, unknown)
    show_results(terminal, results, ended_well=meta.outcome == "finished")
    show_guards(terminal, run.guards())
    if not unknown:
        show_left(terminal, left or {})


def show_unknown(terminal: Terminal, channels: Sequence[str]) -> None:
    """The words that can't be missed, where an output can't be shown to be off."""
    if not channels:
        return
    terminal.bell()
    bar = _LOUD[: terminal.width]
    first, *others = UNKNOWN_OUTPUT
    lines = [bar, f"!! {first}: {', '.join(channels)}", *(f"!! {line}" for line in others), bar]
    terminal.say()
    for line in lines:
        terminal.say(terminal.paint(line, "alarm"))


def show_results(terminal: Terminal, rows: Sequence[ResultRow], *, ended_well: bool) -> None:
    """Results, then expectations with their verdicts."""
    results = [row for row in rows if row.name]
    expectations = [row for row in rows if not row.name]
    after = "" if ended_well else ", of a run that did not end well"
    if results:
        terminal.say()
        terminal.say(terminal.heading(f"Results (uncertainty not stated{after})"))
        terminal.say(terminal.table([cells for row in results for cells in _result(terminal, row)]))
    if expectations:
        terminal.say()
        terminal.say(terminal.heading("Expectations (compared plainly, uncertainty not stated)"))
        terminal.say(terminal.table([_expectation(terminal, row) for row in expectations]))


def _result(terminal: Terminal, line: ResultRow) -> list[list[str]]:
    """A result, and beneath it its rows: one a group, one an answer."""
    title = line.title + (f" ({line.method})" if line.method else "")
    said = [line.text, title.strip()]
    if line.verdict:
        said = [terminal.paint(line.verdict, "yellow"), _joined(line.title, line.reason)]
    table = [[line.name, *said]]
    for row in line.rows[:_SHOWN_ROWS]:
        name = "  " + " ".join(filter(None, (row.label, row.answer)))
        text = terminal.paint(row.verdict, "yellow") if row.verdict else row.text
        table.append([name, text, row.reason])
    if len(line.rows) > _SHOWN_ROWS:
        table.append(["  …", f"{len(line.rows) - _SHOWN_ROWS} rows more", "--json has all of them"])
    return table


def _expectation(terminal: Terminal, row: ResultRow) -> list[str]:
    bad = row.verdict in (NOT_MET, NOT_WORKED_OUT)
    style = "red" if bad else "yellow" if row.verdict == NOT_APPLICABLE else "green"
    return [terminal.paint(row.verdict, style), _joined(row.text, row.reason)]


def show_guards(terminal: Terminal, guards: Sequence[GuardRow]) -> None:
    """How near each guard came, the nearest first."""
    if not guards:
        return
    terminal.say()
    terminal.say(terminal.heading("Guards: the least that was left to each"))
    rows = sorted(guards, key=lambda g: (not g.tripped, _share(g)))
    terminal.say(terminal.table([_guard(terminal, guard) for guard in rows]))


def _share(guard: GuardRow) -> float:
    """The margin as a share of what the guard's bounds span; infinite where none is known."""
    if guard.margin is None:
        return math.inf
    bounds = [b for b in (guard.low, guard.high) if b is not None]
    width = max(bounds) - min(bounds) if len(bounds) == 2 else max(map(abs, bounds), default=0.0)
    return guard.margin / width if width else math.inf


def _guard(terminal: Terminal, guard: GuardRow) -> list[str]:
    said = least_left(guard)
    if guard.tripped:
        at = "" if guard.margin_time is None else f" at {write(guard.margin_time, TIME, 4)}"
        said = terminal.paint("TRIPPED", "red") + at
    return [guard.name, bounds_of(guard), said]


def _watched(guard: GuardRow) -> Dimension | None:
    """The dimension of what a guard watches; none of a condition."""
    return RATED.get(guard.quantity) or SENSED.get(guard.quantity)


def least_left(guard: GuardRow) -> str:
    """The least that was left to a guard that held, and when: "350 mV left at 12 s"."""
    dimension = _watched(guard)
    if dimension is None:
        return "held"
    if guard.margin is None:
        return "never judged"
    at = "" if guard.margin_time is None else f" at {write(guard.margin_time, TIME, 4)}"
    return f"{write(guard.margin, difference(dimension), 3)} left{at}"


def bounds_of(guard: GuardRow) -> str:
    """A guard's bounds in words; none of a condition."""
    dimension = _watched(guard)
    return span(guard.low, guard.high, dimension) if dimension else ""


def span(low: float | None, high: float | None, dimension: Dimension) -> str:
    """A guard's bounds in words: "-50 mV … 2.8 V", "up to 2 kJ"."""
    if low is None:
        return "" if high is None else f"up to {write(high, dimension)}"
    if high is None:
        return f"from {write(low, dimension)}"
    return f"{write(low, dimension)} … {write(high, dimension)}"


def show_left(terminal: Terminal, left: Mapping[str, float]) -> None:
    """What is still on the terminals (V) with the outputs off; NaN where it was not read."""
    if not left:
        return
    read = {name: volts for name, volts in left.items() if not math.isnan(volts)}
    charged = {name: volts for name, volts in read.items() if abs(volts) >= LEFT_FROM_V}
    terminal.say()
    if charged:
        said = ", ".join(f"{name} {write(v, VOLTAGE, 4)}" for name, v in charged.items())
        words = f"Outputs are off. STILL ON THE TERMINALS, as last read: {said}."
        terminal.say(terminal.paint(terminal.paragraph(words, "  ", ""), "yellow"))
        terminal.say("  A charged part stays charged: discharge it before you handle it.")
    elif read:
        said = ", ".join(f"{name} {write(v, VOLTAGE, 3)}" for name, v in read.items())
        terminal.say(f"Outputs are off. Left on the terminals: {said}.")
    unread = ", ".join(name for name in left if name not in read)
    if unread:
        words = f"Not read since the output went off: {unread}. What can hold a charge may hold it."
        terminal.say(terminal.paragraph(words, "  ", ""))


def last_voltages(run: Run) -> dict[str, float]:
    """The voltage (V) last read on each channel after its output went off, NaN where it wasn't.

    What reads a sensor has nothing on its terminals that anybody would touch, and is left out.
    """
    off = {e.channel: e.time for e in run.events() if e.kind == "output" and e.text.endswith("off")}
    found = {}
    for name in channels_of(run):
        time, volts = math.nan, math.nan
        stream = run.stream(name)
        if stream.sensed:
            continue
        for times, voltages in run.blocks(stream, ("time", "voltage")):
            time, volts = times[-1], voltages[-1]
        found[name] = volts if name not in off or time >= off[name] else math.nan
    return found


def channels_of(run: Run) -> list[str]:
    """The channels of a run; its other streams belong to traces."""
    return [name for name in run.streams() if ":" not in name]


def show_run(terminal: Terminal, run: Run, store: str) -> None:
    """All that a person asks first of a run on record."""
    meta = run.meta
    terminal.say(terminal.heading(meta.title or meta.recipe_name))
    rows = [
        ["run", f"{meta.id} ({kind_of(meta)})"],
        ["recipe", f"{meta.recipe_name}, SHA-256 {meta.recipe_sha256[:16]}…"],
        ["begun", moment(meta.started)],
        ["ended", moment(meta.ended) if meta.ended else "no end on record"],
        *[["setting", f"{name} = {value}"] for name, value in meta.settings.items()],
        *[["condition", f"{name} = {value}"] for name, value in meta.conditions.items()],
        ["traces", ", ".join(_traces(run)) or "none"],
        ["store", store],
    ]
    terminal.say(terminal.table(rows))
    terminal.say()
    show_ending(terminal, run)
    _show_happenings(terminal, run)


def _traces(run: Run) -> list[str]:
    """The names of the traces, and which of them hold samples of captures."""
    streams = run.streams()
    return [f"{n} (captured)" if capture_stream(n) in streams else n for n in run.traces()]


def happenings(run: Run) -> list[tuple[float, str]]:
    """Events and notes by time (s), each in words that say whose it is."""
    said = [(e.time, f"{e.channel}: " if e.channel else "", e.text) for e in run.events()]
    said += [(n.time, "you: " if n.author == "person" else "note: ", n.text) for n in run.notes()]
    said.sort(key=lambda item: item[0])
    return [(time, _shortened(who, text)) for time, who, text in said]


def _show_happenings(terminal: Terminal, run: Run) -> None:
    said = happenings(run)
    if not said:
        return
    kept = said[-_SHOWN_EVENTS:]
    terminal.say()
    more = f" (the last {len(kept)} of {len(said)})" if len(kept) < len(said) else ""
    terminal.say(terminal.heading(f"What happened{more}"))
    terminal.say(terminal.table([[clock(time), text] for time, text in kept]))


def clock(time_s: float) -> str:
    """A time since the run's start, to be read down a column: "2:14:05.25"."""
    hundredths = round(time_s * 100)
    hours, rest = divmod(hundredths, 360_000)
    minutes, rest = divmod(rest, 6000)
    return f"{hours}:{minutes:02}:{rest / 100:05.2f}"


def _shortened(who: str, text: str) -> str:
    """Events begin with their channel's name already; nothing is said twice."""
    return text if text.startswith(who.removesuffix(": ")) and who else who + text


def show_runs(terminal: Terminal, rows: Sequence[RunRow], unjudged: Collection[str] = ()) -> None:
    """A list of runs, one a line, the newest last; a title is cut where a window ends.

    `unjudged` are the ids of those of which an expectation could not be judged.
    """
    table = [["run", "at", "", "outcome", ""]]
    for row in rows:
        word = (row.outcome or "still running").removesuffix(" by the person")
        kind = "dry" if row.mode == "dry run" else "run"
        if row.exit_code == 1:
            word += ", not met"
        elif row.id in unjudged:
            word += ", not applicable"
        table.append([row.id, row.started.partition("T")[2][:5], kind, word, ""])
    titles = ["title", *(row.title or row.recipe_name for row in rows)]
    lines = terminal.table(table, indent=0).split("\n")
    start = max(map(len, lines)) + 2
    for line, title in zip(lines, titles, strict=True):
        whole = f"{line:<{start}}{title}"
        cut = terminal.live and len(whole) > terminal.width
        terminal.say(whole[: terminal.width - 1] + "…" if cut else whole)


def kind_of(meta: RunMeta) -> str:
    """Whether it was a run or a dry run, and what of."""
    if meta.mode != "dry run":
        return "run on the bench"
    noise = ", ideal instruments" if meta.ideal else ""
    return f"dry run on a simulated bench, seed {meta.seed}{noise}"


def as_data(run: Run, **more: Any) -> dict[str, Any]:
    """A run as plain data: what `--json` gives."""
    return {
        **facts_of(run),
        "guards": [row._asdict() for row in run.guards()],
        "traces": list(run.traces()),
        **more,
    }


def moment(text: str) -> str:
    """An ISO 8601 time with its offset, to the second."""
    date, _, time = text.partition("T")
    return f"{date} {time[:8]} {time[-6:]}"


def _joined(*texts: str) -> str:
    return ": ".join(text for text in texts if text)


def _capital(word: str) -> str:
    return word[:1].upper() + word[1:]
