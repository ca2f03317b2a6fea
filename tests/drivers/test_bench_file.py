"""Bench files: what they hold, and what bad ones are told, whole and with their place."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from drivers.bench import load_bench, open_bench, open_simulated, read_bench
from drivers.faults import BenchFileError
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.supercapacitor import Supercapacitor
from grammar.diagnostic import draw

GOOD = """\
title = "Ridge station workshop"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
resource      = "TCPIP::192.0.2.20::5025::SOCKET"
library       = "@py"
dialect       = "scpi-1999-source-measure"
identity      = "^RIDGE,"
part          = "bank"
terminals     = "rear"
leads         = { per_lead_resistance = "20 mohm" }

[parts.bank]
model = "supercapacitor"
capacitance = "350 F"
series_resistance = "3.2 mohm"
slow_branches = [ { resistance = "0.5 ohm", capacitance = "30 F" } ]
leakage_resistance = "5 kohm"
initial = { voltage = "0.5 V" }
"""


def told(text: str) -> str:
    file, problems = read_bench(Path("workshop.bench.toml"), text)
    assert file is None
    assert all(problem.fault == "bench" for problem in problems)
    return "\n".join(map(draw, problems))


def changed(before: str, after: str) -> str:
    assert before in GOOD
    return told(GOOD.replace(before, after))


def test_a_good_file(tmp_path: Path) -> None:
    path = tmp_path / "workshop.bench.toml"
    path.write_text(GOOD, "utf-8")
    file, problems = load_bench(path)
    assert file is not None
    assert len(problems) == 0
    assert (file.path, file.text, file.line_frequency_hz) == (path, GOOD, 50.0)
    assert file.specifications["smu"].title == "Demo source-measure instrument"
    entry = file.channels["smu"]
    assert entry.leads.per_lead_resistance == 0.02
    assert (entry.identity, entry.library) == ("^RIDGE,", "@py")
    part = file.parts["bank"]
    assert isinstance(part, Supercapacitor)
    assert (part.capacitance, part.series_resistance) == (350.0, 0.0032)
    network = part.physics(Conditions())
    assert network.initial == (0.5, 0.5)
    assert network.storage == (350.0, 30.0)


def test_a_specification_of_ones_own(tmp_path: Path) -> None:
    """A path is taken from the bench file's folder; problems in it are located there."""
    from importlib import resources

    shipped = resources.files("drivers") / "specifications" / "demo-source-measure.toml"
    text = shipped.read_text("utf-8").replace("Demo source-measure", "Own")
    (tmp_path / "own.toml").write_text(text, "utf-8")
    path = tmp_path / "workshop.bench.toml"
    bench = GOOD.replace('"demo-source-measure"', '"own.toml"')
    file, _ = read_bench(path, bench)
    assert file is not None
    assert file.specifications["smu"].title == "Own instrument"
    (tmp_path / "own.toml").write_text(text.replace('"5 ms"', '"5 mV"', 1), "utf-8")
    file, problems = read_bench(path, bench)
    assert file is None
    (problem,) = problems
    assert problem.source.name == str(tmp_path / "own.toml")
    assert problem.message == ("“switching_time”: “5 mV” is a voltage, expected a time as in “1 s”")
    assert problem.source.line(problem.span.line).startswith("switching_time")


def test_wrong_key() -> None:
    assert changed('capacitance = "350 F"\n', 'capacitence = "350 F"\n') == (
        "workshop.bench.toml:14:1: error: “parts.bank” lacks “capacitance” [bench-missing]\n"
        "   14 | [parts.bank]\n"
        "      | ^^^^^^^^^^^^\n"
        '  For example: capacitance = "350 F".\n'
        "workshop.bench.toml:16:1: error: “parts.bank.capacitence” is no key known here "
        "[bench-key]\n"
        '   16 | capacitence = "350 F"\n'
        "      | ^^^^^^^^^^^\n"
        "  Did you mean “capacitance”?"
    )


def test_wrong_key_inside_a_table() -> None:
    assert changed("per_lead_resistance", "per_led_resistance") == (
        "workshop.bench.toml:12:19: error: “channels.smu.leads.per_led_resistance” is no key "
        "known here [bench-key]\n"
        '   12 | leads         = { per_led_resistance = "20 mohm" }\n'
        "      |                   ^^^^^^^^^^^^^^^^^^\n"
        "  Did you mean “per_lead_resistance”?"
    )


def test_wrong_unit() -> None:
    assert changed('"350 F"', '"350 V"') == (
        "workshop.bench.toml:16:15: error: “parts.bank.capacitance”: “350 V” is a voltage, "
        "expected a capacitance as in “1 F” [bench-unit]\n"
        '   16 | capacitance = "350 V"\n'
        "      |               ^^^^^^^"
    )


@pytest.mark.parametrize("written", ["350", '"350"'])
def test_missing_unit(written: str) -> None:
    assert changed('"350 F"', written) == (
        "workshop.bench.toml:16:15: error: “parts.bank.capacitance”: the unit is missing: "
        'write "350 F" [bench-unit]\n'
        f"   16 | capacitance = {written}\n"
        f"      |               {'^' * len(written)}"
    )


def test_unknown_unit() -> None:
    assert changed('"350 F"', '"350 farad"').startswith(
        "workshop.bench.toml:16:15: error: “parts.bank.capacitance”: “farad” is not a unit that "
        "is known here; expected a capacitance as in “1 F” [bench-unit]\n"
    )


def test_negative_capacitance() -> None:
    assert changed('"350 F"', '"-350 F"') == (
        "workshop.bench.toml:16:15: error: “parts.bank.capacitance” is -350 F: it must be "
        "greater than 0 [bench-value]\n"
        '   16 | capacitance = "-350 F"\n'
        "      |               ^^^^^^^^"
    )


def test_slow_branch_without_resistance() -> None:
    assert changed('resistance = "0.5 ohm", ', "") == (
        "workshop.bench.toml:18:19: error: “parts.bank.slow_branches[0]” lacks “resistance” "
        "[bench-missing]\n"
        '   18 | slow_branches = [ { capacitance = "30 F" } ]\n'
        "      |                   ^^^^^^^^^^^^^^^^^^^^^^^^\n"
        '  For example: resistance = "0.5 ohm".'
    )


def test_slow_branch_of_no_resistance() -> None:
    assert changed('"0.5 ohm"', '"0 ohm"').startswith(
        "workshop.bench.toml:18:34: error: “parts.bank.slow_branches[0].resistance” is 0 ohm: it "
        "must be greater than 0 [bench-value]\n"
    )


def test_initial_state_that_does_not_fit() -> None:
    assert changed('{ voltage = "0.5 V" }', '{ voltages = ["1 V"] }').startswith(
        "workshop.bench.toml:14:1: error: “parts.bank” needs 2 initial voltages, not 1: one for "
        "the main capacitance and one for each slow branch [bench-value]\n"
    )
    assert changed('{ voltage = "0.5 V" }', "{ }").startswith(
        "workshop.bench.toml:20:11: error: “parts.bank.initial” must give either one “voltage”, "
        'as in "0 V", or a list “voltages” [bench-value]\n'
    )


def test_channel_whose_part_is_missing() -> None:
    assert changed('"bank"', '"bonk"') == (
        "workshop.bench.toml:10:17: error: there is no part “bonk” on this bench [bench-part]\n"
        '   10 | part          = "bonk"\n'
        "      |                 ^^^^^^\n"
        "  Did you mean “bank”?"
    )


def test_part_on_two_channels() -> None:
    second = '[channels.second]\nspecification = "demo-symmetric-source"\npart = "bank"\n'
    assert told(GOOD + second) == (
        "workshop.bench.toml:23:8: error: “bank” hangs on channel “smu” already "
        "[bench-shared]\n"
        '   23 | part = "bank"\n'
        "      |        ^^^^^^\n"
        "  Give each channel a part of its own."
    )


def test_unknown_model() -> None:
    assert changed('"supercapacitor"', '"supercap"') == (
        "workshop.bench.toml:15:9: error: there is no model “supercap” of a part [bench-model]\n"
        '   15 | model = "supercap"\n'
        "      |         ^^^^^^^^^^\n"
        "  Did you mean “supercapacitor”?"
    )
    assert changed('model = "supercapacitor"\n', "").startswith(
        "workshop.bench.toml:14:1: error: “parts.bank” lacks “model” [bench-missing]\n"
        "   14 | [parts.bank]\n"
        "      | ^^^^^^^^^^^^\n"
        "  For example: model = "
    )


def test_unknown_specification() -> None:
    assert changed('"demo-source-measure"', '"demo-source-mesure"') == (
        "workshop.bench.toml:5:17: error: there is no specification “demo-source-mesure”, neither "
        "shipped nor as a text file at demo-source-mesure [bench-specification]\n"
        '    5 | specification = "demo-source-mesure"\n'
        "      |                 ^^^^^^^^^^^^^^^^^^^^\n"
        "  Did you mean “demo-source-measure”?"
    )


@pytest.mark.parametrize(
    ("leads", "words"),
    [
        ('{ leakage_resistance = "1 Gohm" }', "has a leakage_resistance and no cable_capacitance"),
        ("{ driven_guard = true }", "has a driven_guard and no cable_capacitance"),
        ('{ pick_up = "1 nA" }', "doesn't say whether the leads are shielded"),
        ("{ shield = false }", "lets a stray current in and has no cable_capacitance"),
        ('{ loop_inductance = "-1 uH" }', "loop_inductance"),
        ('{ thermal_drift = "3 uV" }', "thermal_drift"),
    ],
)
def test_leads_that_do_not_fit_together(leads: str, words: str) -> None:
    said = changed('{ per_lead_resistance = "20 mohm" }', leads)
    assert said.startswith("workshop.bench.toml:12:")
    assert words in said


def test_missing_line_frequency() -> None:
    assert changed('line_frequency = "50 Hz"\n', "") == (
        "workshop.bench.toml: error: the file lacks “line_frequency” [bench-missing]\n"
        '  For example: line_frequency = "50 Hz".'
    )


def test_identity_that_is_no_pattern() -> None:
    assert changed('"^RIDGE,"', '"("').startswith(
        "workshop.bench.toml:9:17: error: “channels.smu.identity” is no regular expression: "
        "missing ), unterminated subpattern at position 0 [bench-value]\n"
    )


def test_names_that_no_recipe_can_write() -> None:
    assert changed("[channels.smu]", '[channels."s m u"]').startswith(
        "workshop.bench.toml:4:1: error: “s m u” can't be a name [bench-name]\n"
    )


@pytest.mark.parametrize(
    ("before", "after", "first"),
    [
        ('"350 F"', "350 F", "16:19: error: nothing more was expected on this line"),
        ('"350 F"', "F", "16:15: error: this is no value"),
        ('"350 F"', '"350 F', "16:21: error: this text isn't closed, or holds a character that "),
        (
            'model = "supercapacitor"',
            'model "supercapacitor"',
            "15:7: error: a key, = and a value were expected here",
        ),
        (
            "leakage_resistance",
            "capacitance",
            "19:23: error: this key or table stands here for the second time",
        ),
        ("terminals", "[channels.smu]#", "11:14: error: this key or table stands here for the "),
        ('{ voltage = "0.5 V" }', '{ voltage = "0.5 V"', "20:30: error: a bracket isn't closed"),
    ],
)
def test_what_is_no_toml(before: str, after: str, first: str) -> None:
    message = changed(before, after)
    assert message.startswith(f"workshop.bench.toml:{first}"), message
    assert "[bench-toml]" in message


def test_all_problems_at_once() -> None:
    text = GOOD.replace('"350 F"', '"350 V"').replace('"3.2 mohm"', '"-1 ohm"')
    text = text.replace('"bank"', '"bonk"').replace("terminals ", "terminal  ")
    _, problems = read_bench(Path("workshop.bench.toml"), text)
    assert [(problem.slug, problem.span.line) for problem in problems] == [
        ("bench-key", 11),
        ("bench-unit", 16),
        ("bench-value", 17),
    ]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "channels = 3",
        "[channels]\nsmu = 1",
        "[parts]\nbank = []\n[channels.smu]\n",
        'line_frequency = ["50 Hz"]\n[channels.smu]\nspecification = 3\nleads = 1\npart = {}',
        "x = " + "[" * 5000,
        "x = " + "9" * 5000,
        'line_frequency = "1e999 Hz"',
        "\ufeff",
    ],
)
def test_nonsense_is_told_and_not_raised(text: str) -> None:
    file, problems = read_bench(Path("workshop.bench.toml"), text)
    assert file is None
    assert problems.has_errors


def test_a_file_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    path = tmp_path / "none.bench.toml"
    _, problems = load_bench(path)
    (problem,) = problems
    assert draw(problem) == (
        f"{path}: error: the bench file can't be read: No such file or directory [bench-file]"
    )
    path.write_bytes(b"\xff\xfe\x00")
    _, problems = load_bench(path)
    (problem,) = problems
    assert problem.message == "the bench file can't be read: it is no UTF-8 text"


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path: Path) -> None:
    # Unicode 15.0, 23.8: at the start of a text in UTF-8, U+FEFF is a signature and no character.
    path = tmp_path / "workshop.bench.toml"
    path.write_text(GOOD, encoding="utf-8-sig")
    file, problems = load_bench(path)
    assert file is not None
    assert (file.text, list(problems)) == (GOOD, [])


def test_a_decimal_comma() -> None:
    assert changed('"3.2 mohm"', '"3,2 mohm"') == (
        "workshop.bench.toml:17:21: error: “parts.bank.series_resistance”: “3,2 mohm” has a "
        "decimal comma in place of a point; expected a resistance as in “1 ohm” [bench-unit]\n"
        '   17 | series_resistance = "3,2 mohm"\n'
        "      |                     ^^^^^^^^^^"
    )


@pytest.mark.parametrize("port", ["65536", "99999"])
def test_a_port_that_cannot_be(port: str) -> None:
    # RFC 793: ports are numbers of 16 bits.
    assert changed("::5025::", f"::{port}::") == (
        f"workshop.bench.toml:6:17: error: “channels.smu.resource” names port {port}: ports end "
        "at 65535 [bench-value]\n"
        f'    6 | resource      = "TCPIP::192.0.2.20::{port}::SOCKET"\n'
        f"      |                 {'^' * (29 + len(port))}"
    )


@pytest.mark.parametrize(
    ("written", "words"),
    [("50 mHz", "must be at least 10 Hz"), ("50 kHz", "must be at most 1 kHz")],
)
def test_a_line_frequency_that_no_mains_has(written: str, words: str) -> None:
    assert changed('"50 Hz"', f'"{written}"') == (
        f"workshop.bench.toml:2:18: error: “line_frequency” is {written}: it {words} "
        "[bench-value]\n"
        f'    2 | line_frequency = "{written}"\n'
        f"      |                  {'^' * (len(written) + 2)}"
    )


def test_opening_asks_for_what_it_needs() -> None:
    text = GOOD.replace('part          = "bank"\n', "")
    text = text.replace('dialect       = "scpi-1999-source-measure"\n', "")
    file, _ = read_bench(Path("workshop.bench.toml"), text)
    assert file is not None
    with pytest.raises(BenchFileError) as refused:
        open_simulated(file)
    assert refused.value.message == ("workshop.bench.toml: channel “smu” has no part to simulate")
    with pytest.raises(BenchFileError) as refused:
        open_simulated(file, channels=["smuu"])
    assert (refused.value.message, refused.value.advice) == (
        "workshop.bench.toml: there is no channel “smuu” on this bench",
        "Did you mean “smu”?",
    )
    with pytest.raises(BenchFileError) as refused:
        open_bench(file)
    assert refused.value.message == (
        "workshop.bench.toml: channel “smu” has no dialect, which a run needs"
    )


def test_reading_a_bench_file_loads_no_numerics() -> None:
    """The checker reads bench files: numpy and pyvisa are for those who open them."""
    code = (
        "import sys; from pathlib import Path; from drivers.bench import read_bench; "
        f"file, _ = read_bench(Path('b'), {GOOD!r}); assert file; "
        "print(sorted({'numpy', 'scipy', 'pyvisa', 'rich'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stdout == "[]\n"
