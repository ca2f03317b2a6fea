"""Dialect files: what a good one says, and what a bad one is told, where."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from drivers.faults import BenchFileError, InstrumentError
from drivers.scpi.dialect import (
    ACTIONS,
    AnswerError,
    chain,
    read_boolean,
    read_integer,
    read_number,
    read_string,
    split_answer,
    written_as_parameter,
)
from drivers.scpi.dialect_file import SHIPPED, load_dialect, open_dialect, shipped_dialects
from drivers.simulated.served.front import Front
from grammar.diagnostic import draw

NAME = "scpi-1999-source-measure"
TEXT = (SHIPPED / f"{NAME}.toml").read_text("utf-8")


def told(folder: Path, text: str) -> str:
    """The problems of a dialect file, drawn, with the file's name alone."""
    path = folder / "mine.toml"
    path.write_text(text, "utf-8")
    dialect, problems = load_dialect(path)
    assert dialect is None
    return "\n".join(draw(problem, width=200) for problem in problems).replace(f"{folder}/", "")


def test_every_shipped_dialect_is_good() -> None:
    assert shipped_dialects() == [NAME]
    for name in shipped_dialects():
        dialect, problems = load_dialect(SHIPPED / f"{name}.toml")
        assert dialect is not None
        assert list(problems) == []
        assert set(dialect.actions) == set(ACTIONS)


def test_the_front_knows_every_line_of_the_shipped_dialect(front: Front) -> None:
    """The dialect is written from the standard, and so is the front; neither sees the other."""
    values = {"level": 1.0, "limit": 1.0, "range": 1.0, "cycles": 1.0, "seconds": 0.01}
    dialect = open_dialect(NAME)
    for name, command in dialect.actions.items():
        carried = {key: values.get(key, 1) for key in ACTIONS[name].placeholders}
        if "on" in carried:
            carried["on"] = False
        if name.endswith("_low"):
            carried["limit"] = -1.0
        answer = front.handle(chain(command.units(**carried)))
        assert front.handle("SYST:ERR?") == '0,"No error"', name
        assert (answer is None) == (command.answer == ()), name
        if answer is not None:
            assert len(split_answer(answer, command.answer)) > 0


def test_the_longest_message_is_short(front: Front) -> None:
    """What goes out in one message stays far below any instrument's input buffer."""
    dialect = open_dialect(NAME)
    assert len(chain(tuple(line for c in dialect.actions.values() for line in c.send))) < 2500


def test_a_key_that_is_not_known(tmp_path: Path) -> None:
    text = TEXT.replace("[actions.output]", "[actions.outputs]")
    line = text.split("\n").index("[actions.outputs]") + 1
    assert told(tmp_path, text) == (
        "mine.toml:19:1: error: “actions” lacks output [dialect-missing]\n"
        "   19 | [actions]\n"
        "      | ^^^^^^^^^\n"
        "  Each says how the instrument is told or asked that.\n"
        f"mine.toml:{line}:1: error: “actions.outputs” is no action known here [dialect-key]\n"
        f"{line:>5} | [actions.outputs]\n"
        "      | ^^^^^^^^^^^^^^^^^\n"
        "  Did you mean “output”?"
    )


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("OUTPut:STATe {on}", "OUTPut:STATe {level}"),
        ("OUTPut:STATe {on}", "OUTPut:STATe {on.__class__}"),
        ("OUTPut:STATe {on}", "OUTPut:STATe {0}"),
        ("OUTPut:STATe {on}", "OUTPut:STATe {on};*RST"),
        ("OUTPut:STATe {on}", "OUTPut:STATe {on}\\n*RST"),
        ("OUTPut:STATe {on}", "OUTPut:STATe 'a string'"),
        ("OUTPut:STATe {on}", "OUTPut:STATe #15HELLO"),
        ("OUTPut:STATe {on}", "OUTPut:STATe " + "1" * 200),
        ("OUTPut:STATe {on}", ":OUTPut:STATe {on}"),
        ("OUTPut:STATe {on}", "OUTPut:STAТe {on}"),
        ("OUTPut:STATe {on}", ""),
    ],
)
def test_a_line_that_is_no_single_command(tmp_path: Path, line: str, wrong: str) -> None:
    """Nothing but headers, numbers, keywords and the action's own placeholders gets through."""
    message = told(tmp_path, TEXT.replace(f'"{line}"', f'"{wrong}"'))
    assert re.search(r"mine\.toml:\d+:8: error: “actions\.output\.send”", message), message
    assert "[dialect-line]" in message


def test_a_placeholder_of_another_action(tmp_path: Path) -> None:
    message = told(tmp_path, TEXT.replace("OUTPut:STATe {on}", "OUTPut:STATe {level}"))
    assert "“{level}” can't be filled in here" in message
    assert "This action can carry {on}." in message


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('answer = "output"', 'answer = "outptu"', "names outptu, which means nothing here"),
        ('answer = "output"', 'answer = "done"', "lacks output"),
        ('answer = "output"', 'answer = ["output", "_"]', "asks 1 questions and names 2 answers"),
        ("chained = true", "chained = 3.5", "“chained” must be true or false"),
        ("current = 1\n", "current = 40\n", "“limit_bits.current” is 40: it must be at most 15"),
        ("current = 1\n", "curent = 1\n", "“limit_bits.curent” is no key known here"),
        ('title = "', 'titel = "', "“titel” is no key known here"),
        ('send = "OUTPut:STATe?"', "send = []", "“actions.read_output.send” must not be empty"),
        ("[keywords]", "[keywords", "this is no value|a bracket isn't closed|can't be read"),
    ],
)
def test_other_mistakes_are_told_in_words(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in TEXT
    message = told(tmp_path, TEXT.replace(old, new, 1))
    assert re.search(words, message), message
    assert "mine.toml:" in message


def test_a_file_without_end(tmp_path: Path) -> None:
    assert told(tmp_path, TEXT + "#" * 70_000) == (
        "mine.toml: error: the file is larger than 64 KiB [dialect-value]"
    )


def test_a_limit_needs_both_sides_or_none(tmp_path: Path) -> None:
    lines = [
        x for x in TEXT.split("\n") if not x.startswith(("current_limit ", "current_limit_low"))
    ]
    message = told(tmp_path, "\n".join(lines))
    assert "lacks current_limit (or current_limit_high and current_limit_low)" in message


def test_a_dialect_of_ones_own_lies_beside_the_bench_file(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(TEXT.replace("chained = true", "chained = false"), "utf-8")
    assert open_dialect("mine.toml", tmp_path).chained is False
    with pytest.raises(BenchFileError, match="there is no dialect file"):
        open_dialect("yours.toml", tmp_path)
    with pytest.raises(BenchFileError, match="is no dialect that comes with the program") as caught:
        open_dialect("scpi-1999-source-mesure")
    assert f"Did you mean “{NAME}”?" in caught.value.advice


def test_values_are_written_with_all_their_digits() -> None:
    for value in (2.7, -1e-9, 0.1 + 0.2, 1e16, 5e-324):
        assert float(written_as_parameter(value)) == value
    assert [written_as_parameter(v) for v in (True, False, 3)] == ["1", "0", "3"]
    for value in (math.inf, math.nan):
        with pytest.raises(InstrumentError, match="is not a value"):
            open_dialect(NAME).units("voltage_level", level=value)


def test_units_are_chained_from_the_root() -> None:
    assert chain(("READ?", "*OPC?", "SYSTem:ERRor?")) == "READ?;*OPC?;:SYSTem:ERRor?"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1.0),
        ("+1.5E-3", 1.5e-3),
        (" -2. ", -2.0),
        ("9.9E37", math.inf),
        ("-9.9E+37", -math.inf),
    ],
)
def test_numbers_of_answers(text: str, value: float) -> None:
    """±9.9E37 is infinity, 9.91E37 not a number (SCPI-1999, read)."""
    assert read_number(text) == value
    assert math.isnan(read_number("9.91E37"))


@pytest.mark.parametrize("text", ["", "nan", "inf", "1_0", "1,2", "0x10", "volt", "1e999"])
def test_what_is_no_number_of_an_answer(text: str) -> None:
    with pytest.raises(AnswerError, match="is not a number"):
        read_number(text)


def test_integers_booleans_and_strings_of_answers() -> None:
    assert read_integer("+0") == 0
    assert (read_boolean("1"), read_boolean("0")) == (True, False)
    assert read_string('"Hardware error;the ""lid"""') == 'Hardware error;the "lid"'
    for reader in (read_integer, read_boolean):
        with pytest.raises(AnswerError):
            reader("2.5")


def test_separators_in_quotes_do_not_count() -> None:
    answer = (("condition",), ("error_number", "error_text"))
    assert split_answer('0;0,"No error"', answer) == ["0", "0", '"No error"']
    assert split_answer('0;-240,"Hardware error;a, b"', answer) == [
        "0",
        "-240",
        '"Hardware error;a, b"',
    ]
    for text in ("0", '0;0,"No error";1', '0,1;0,"No error"'):
        with pytest.raises(AnswerError):
            split_answer(text, answer)
