"""The SCPI front against IEEE 488.2 and SCPI-1999.

Error numbers and texts, number forms and the short-form rule are from a table of the standards'
values read elsewhere; path rules and registers are from memory where so marked.
"""

from __future__ import annotations

import pytest

from drivers.bench import Bench
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.served.front import Front
from drivers.simulated.served.scpi_message import ScpiError, cut_messages, short_form, units
from drivers.simulated.served.scpi_status import ERRORS

# SCPI-1999 volume 2, 21.8, read in a table that quotes it.
STANDARD_ERRORS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -131: "Invalid suffix",
    -141: "Invalid character data",
    -151: "Invalid string data",
    -161: "Invalid block data",
    -200: "Execution error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -241: "Hardware missing",
    -310: "System error",
    -330: "Self-test failed",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
}
NO_ERROR = '0,"No error"'


def errors(front: Front) -> list[int]:
    """The numbers in the queue, taken out."""
    numbers = []
    while (entry := front.handle("SYST:ERR?") or "") != NO_ERROR:
        numbers.append(int(entry.split(",")[0]))
    return numbers


def test_the_texts_of_errors_are_the_standards() -> None:
    assert {number: ERRORS[number] for number in STANDARD_ERRORS} == STANDARD_ERRORS


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("VOLT 1\x80", -101),
        ("\x80", -101),
        ("?", -102),
        ("VOLT !", -102),
        ("VOLT,1", -103),
        ("VOLT 1 2", -103),
        ('VOLT "one"', -104),
        ("VOLT #15HELLO", -104),
        ("*RST 1", -108),
        ("VOLT 1,2", -108),
        ("READ? 1", -108),
        ("VOLT", -109),
        ("VOLT 1,", -109),
        ("VOLTAGEVOLTAGE 1", -112),
        ("VOLTA 1", -113),
        ("NONSENSE", -113),
        ("*IDN", -113),
        ("*NON?", -113),
        ("OUTP2 ON", -114),
        ("VOLT 1 OHM", -131),
        ("OUTP 1 V", -138),
        ("VOLT MAYBE", -141),
        ("SENS:FUNC 'RES'", -151),
        ("SENS:FUNC 'VOLT", -151),
        ("VOLT #29", -161),
        ("VOLT #15HEL", -161),
        ("VOLT 1E99999", -123),
        ("VOLT 41", -222),
        ("VOLT -41 V", -222),
        ("*ESE 256", -222),
        ("SENS:AVER:COUN 0", -222),
        ("FUNC:MODE POWer", -224),
        ("FETC?", -230),
    ],
)
def test_what_is_wrong_gets_its_number(front: Front, message: str, number: int) -> None:
    assert front.handle(message) is None
    assert errors(front) == [number]


@pytest.mark.parametrize(("message", "bit"), [("NONSENSE", 32), ("VOLT 41", 16), ("*OPC", 1)])
def test_an_error_sets_the_bit_of_its_class(front: Front, message: str, bit: int) -> None:
    """Event status bits by class of error (SCPI-1999 21.8, read); operation complete is bit 0."""
    front.handle(message)
    assert front.handle("*ESR?") == str(bit)
    assert front.handle("*ESR?") == "0"


def test_the_queue_is_first_in_first_out_and_overflows_at_its_end(front: Front) -> None:
    """-350 replaces the last entry (read)."""
    for _ in range(40):
        front.handle("VOLT 41")
    assert front.handle("SYST:ERR:COUN?") == "32"
    assert errors(front) == [-222] * 31 + [-350]


def test_an_entry_says_in_quotes_what_is_meant(front: Front) -> None:
    front.handle("VOLT 41")
    assert front.handle("SYST:ERR?") == '-222,"Data out of range;41 is outside -32 to 32 V"'
    assert front.handle("SYST:ERR:NEXT?") == NO_ERROR
    assert front.handle("SYST:ERR:ALL?") == NO_ERROR


@pytest.mark.parametrize(
    ("long_form", "short"),
    [
        ("VOLTage", "VOLT"), ("CURRent", "CURR"), ("LEVel", "LEV"), ("LIMit", "LIM"),
        ("SOURce", "SOUR"), ("STATe", "STAT"), ("ERRor", "ERR"), ("HIGH", "HIGH"), ("LOW", "LOW"),
        ("IMMediate", "IMM"), ("NPLCycles", "NPLC"), ("PTRansition", "PTR"), ("UPPer", "UPP"),
    ],
)  # fmt: skip
def test_short_forms_follow_the_rule(long_form: str, short: str) -> None:
    """Four letters, or three where the fourth is a vowel (read); the capitals are its own."""
    assert short_form(long_form) == short == "".join(c for c in long_form if c.isupper())


@pytest.mark.parametrize(
    "header",
    [
        "SOURce:VOLTage:LEVel:IMMediate:AMPLitude",
        "sour:volt:lev:imm:ampl",
        "SoUrCe1:vOlT",
        "VOLT",
        "VOLTAGE:LEVEL",
        ":SOUR:VOLT:AMPL",
        ":volt1:imm",
    ],
)
def test_every_spelling_of_a_header(front: Front, header: str) -> None:
    front.handle(f"{header} 1.25")
    assert float(front.handle(f"{header}?") or "nan") == 1.25
    assert errors(front) == []


@pytest.mark.parametrize("header", ["VOLTA", "SOURC:VOLT", "VOLT:LEVE", "VO", "VOLT:LIMI:HIGH"])
def test_forms_in_between_are_illegal(front: Front, header: str) -> None:
    front.handle(f"{header} 1")
    assert errors(front) == [-113]


@pytest.mark.parametrize(
    ("data", "value"),
    [
        ("1", 1.0), ("+1.5", 1.5), ("-2.", -2.0), (".5", 0.5), ("1.5E1", 15.0), ("150e-1", 15.0),
        ("2 E +0", 2.0), ("#HA", 10.0), ("#Q12", 10.0), ("#B101", 5.0), ("1.5V", 1.5),
        ("1500 mV", 1.5), ("2 kv", None), ("12uV", 12e-6), ("MIN", -32.0), ("MAXimum", 32.0),
        ("DEF", 0.0),
    ],
)  # fmt: skip
def test_every_form_of_a_number(front: Front, data: str, value: float | None) -> None:
    """NR1, NR2, NR3, other bases, units with multipliers, and named values (from memory)."""
    front.handle(f"VOLT {data}")
    if value is None:
        assert errors(front) == [-222]
    else:
        assert float(front.handle("VOLT?") or "nan") == pytest.approx(value, rel=1e-11)
        assert errors(front) == []


def test_named_values_can_be_asked(front: Front) -> None:
    assert front.handle("VOLT? MAX;VOLT? MIN") == "3.20000000000E+01;-3.20000000000E+01"


@pytest.mark.parametrize(
    ("data", "answer"),
    [("ON", "1"), ("off", "0"), ("1", "1"), ("0", "0"), ("0.4", "0"), ("7", "1")],
)
def test_every_form_of_a_boolean(front: Front, data: str, answer: str) -> None:
    front.handle(f"OUTP {data}")
    assert front.handle("OUTP?") == answer


@pytest.mark.parametrize(
    ("message", "answer"),
    [
        # A leading colon starts from the root, none from where the last header ended; a common
        # command changes nothing (SCPI-1999 volume 1, 6.2.4, from memory).
        ("SOUR:CURR:LIM:HIGH 0.3;LOW -0.2;HIGH?;LOW?", "3.00000000000E-01;-2.00000000000E-01"),
        ("SOUR:CURR:LIM:HIGH 0.3;*OPC?;HIGH?", "1;3.00000000000E-01"),
        ("SOUR:VOLT 2;:SOUR:VOLT?", "2.00000000000E+00"),
        ("SOUR:VOLT 2;CURR 0.1;VOLT?;CURR?", "2.00000000000E+00;1.00000000000E-01"),
        (" ; VOLT  3 ;; VOLT? ; ", "3.00000000000E+00"),
    ],
)
def test_paths_of_compound_messages(front: Front, message: str, answer: str) -> None:
    assert front.handle(message) == answer
    assert errors(front) == []


def test_a_command_error_ends_its_message_and_an_execution_error_does_not(front: Front) -> None:
    assert front.handle("*OPC?;NONSENSE;*OPC?") == "1"
    assert front.handle("*OPC?;:VOLT 41;*OPC?") == "1;1"
    assert errors(front) == [-113, -222]


def test_the_mandatory_common_commands_are_all_there(front: Front) -> None:
    """The list of IEEE 488.2 (read)."""
    for message in ("*ESE?", "*ESR?", "*IDN?", "*OPC?", "*SRE?", "*STB?", "*TST?"):
        assert front.handle(message) is not None, message
    for message in ("*CLS", "*ESE 1", "*OPC", "*RST", "*SRE 1", "*WAI"):
        assert front.handle(message) is None, message
    assert errors(front) == []
    assert len((front.handle("*IDN?") or "").split(",")) == 4
    assert front.handle("SYST:VERS?") == "1999.0"


def test_the_status_byte_sums_up(front: Front) -> None:
    """Bit 2 queue, 3 questionable, 5 standard events, 6 master summary (from memory)."""
    front.handle("*ESE 48;*SRE 36")
    assert front.handle("*STB?") == "0"
    front.handle("VOLT 41")
    assert front.handle("*STB?") == str(4 + 32 + 64)
    front.handle("*CLS")
    assert front.handle("*STB?;*ESE?;*SRE?") == "0;48;36"
    front.handle("*SRE 255")
    assert front.handle("*SRE?") == "191"


def test_the_limit_in_control_is_in_the_questionable_register(front: Front) -> None:
    """5 V over 10 Ω ask for 0.5 A; bit 1 stands for the current limit, bit 0 for the voltage."""
    front.handle("STAT:QUES:ENAB 3;:CURR:LIM 0.2;:VOLT 5;:OUTP ON")
    assert front.handle("READ?;:STAT:QUES:COND?") == "2.00000000000E+00,2.00000000000E-01;2"
    assert int(front.handle("*STB?") or "") & 8 == 8
    front.handle("VOLT 1")
    assert front.handle("READ?;:STAT:QUES:COND?;EVEN?") == "1.00000000000E+00,1.00000000000E-01;0;2"
    assert front.handle("STAT:QUES?") == "0"
    front.handle("OUTP OFF;:FUNC:MODE CURR;:VOLT:LIM 3;:CURR 1;:OUTP ON")
    assert front.handle("READ?;:STAT:QUES:COND?") == "3.00000000000E+00,3.00000000000E-01;1"
    front.handle("OUTP OFF")
    assert front.handle("STAT:QUES:COND?") == "0"
    assert errors(front) == []


def test_a_reading_past_its_range_is_the_standards_infinity(front: Front) -> None:
    """9.9E37 (read)."""
    front.handle("SENS:CURR:RANG 0.01;:CURR:LIM 1;:VOLT 5;:OUTP ON")
    assert front.handle("READ?") == "5.00000000000E+00,9.9E37"
    front.handle("VOLT -5")
    assert front.handle("READ?;:FETC?") == "-5.00000000000E+00,-9.9E37;-5.00000000000E+00,-9.9E37"


def test_reset_leaves_the_status_system_alone(front: Front) -> None:
    """*RST affects neither event registers nor the queue (IEEE 488.2 10.32, from memory)."""
    front.handle("*ESE 16;:VOLT 3;:OUTP ON;:VOLT 41;*RST")
    assert front.handle("OUTP?;:VOLT?;*ESE?") == "0;0.00000000000E+00;16"
    assert errors(front) == [-222]


def test_what_the_instrument_does_by_itself_is_reported(front: Front, bench: Bench) -> None:
    channel = bench.channels["smu"]
    assert isinstance(channel, SimulatedChannel)
    front.handle("VOLT 1;:OUTP ON")
    channel.drop_output('the "lid" is open')
    assert front.handle("OUTP?;:SYST:ERR?") == '0;-240,"Hardware error;the ""lid"" is open"'
    front.handle("VOLT 2;:OUTP ON;*CLS")
    channel.power_cycle()
    assert front.handle("OUTP?;:VOLT?;*ESR?;:SYST:ERR?") == (
        '0;0.00000000000E+00;128;-500,"Power on"'
    )


def test_blocks_are_taken_whole() -> None:
    """#15HELLO (from memory); a newline in a block is data, and so is a semicolon."""
    (unit,) = units("DATA #15HEL;O")
    assert unit.data[0].text == "HEL;O"
    (unit,) = units("DATA #0all the rest; of it")
    assert unit.data[0].text == "all the rest; of it"
    assert cut_messages(b"A #15HE\nLO\nB\nrest") == ([b"A #15HE\nLO", b"B"], b"rest")
    assert cut_messages(b"A\nB #15HE") == ([b"A"], b"B #15HE")
    assert cut_messages(b"A '#'\nB") == ([b"A '#'"], b"B")


def test_strings_hold_what_would_end_a_unit() -> None:
    (unit,) = units("A 'it''s; one', \"two\"\"\"")
    assert [datum.text for datum in unit.data] == ["it's; one", 'two"']


def test_no_message_breaks_the_front(front: Front) -> None:
    """Every string of up to three of these characters is answered or put in the queue."""
    alphabet = ":;*?,#\"' A1.E\x00\xff"
    for first in alphabet:
        for second in alphabet:
            for third in alphabet:
                message = "VOLT " + first + second + third
                assert front.handle(message) is None or "?" in message
                assert front.handle(first + second + third + "A") is None or "?" in message
    with pytest.raises(ScpiError):
        list(units("A" * 13))
