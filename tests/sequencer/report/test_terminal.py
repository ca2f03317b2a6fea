"""What a terminal, a pipe and a dumb terminal get of the same texts."""

from __future__ import annotations

import io

import pytest

from sequencer.report.terminal import Terminal, printable


class Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


def terminal(stream: io.StringIO, columns: int, **environment: str) -> Terminal:
    made = Terminal(stream, {"TERM": "xterm", **environment})
    made.width = columns
    return made


@pytest.mark.parametrize(
    ("stream", "environment", "live", "coloured"),
    [
        (Tty(), {"TERM": "xterm"}, True, True),
        (Tty(), {"TERM": "xterm", "NO_COLOR": "1"}, True, False),
        # no-color.org: an empty value is the same as none
        (Tty(), {"TERM": "xterm", "NO_COLOR": ""}, True, True),
        (Tty(), {"TERM": "dumb"}, False, False),
        (io.StringIO(), {"TERM": "xterm"}, False, False),
    ],
)
def test_colours_only_where_they_are_welcome(
    stream: io.StringIO, environment: dict[str, str], live: bool, coloured: bool
) -> None:
    made = Terminal(stream, environment)
    assert (made.live, made.coloured) == (live, coloured)


@pytest.mark.parametrize(("columns", "width"), [("20", 40), ("80", 80), ("300", 120)])
def test_the_width_follows_the_window_within_reason(
    columns: str, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert Terminal(Tty(), {}).width == width
    assert Terminal(io.StringIO(), {}).width == 80


def test_texts_of_strangers_steer_nothing() -> None:
    # ECMA-48: ESC [ 2 J clears the screen, ESC ] 0 ; … BEL renames the window.
    bad = "a\x1b[2Jb\x1b]0;title\x07c\u202ed\x9be\x08f"
    assert printable(bad) == "a[2Jb]0;titlecdef"
    stream = Tty()
    terminal(stream, 80).say(bad)
    assert stream.getvalue() == "a[2Jb]0;titlecdef\n"


def test_own_styles_are_kept_on_a_terminal_and_left_out_of_a_pipe() -> None:
    stream = Tty()
    screen = terminal(stream, 80)
    screen.say(screen.paint("off", "green"))
    assert stream.getvalue() == "\x1b[32moff\x1b[0m\n"
    pipe = io.StringIO()
    Terminal(pipe, {}).say(screen.paint("off", "green"))
    assert pipe.getvalue() == "off\n"


def test_a_table_folds_its_last_column() -> None:
    screen = terminal(io.StringIO(), 44)
    rows = [
        ["bank", "2.7 V", "the voltage that is left on it when all is done"],
        ["smu", "", ""],
        ["x"],
    ]
    assert screen.table(rows) == (
        "  bank  2.7 V  the voltage that is left on\n               it when all is done\n  smu\n  x"
    )


def test_where_the_columns_leave_no_room_the_last_goes_beneath() -> None:
    screen = terminal(io.StringIO(), 40)
    rows = [["a name as long as a name gets to be", "the value that stands for it, in words"]]
    assert screen.table(rows) == (
        "  a name as long as a name gets to be\n      the value that stands for it, in\n      words"
    )


def test_styles_take_no_columns() -> None:
    screen = terminal(Tty(), 60)
    table = screen.table([[screen.paint("met", "green"), "C"], ["not met", "R"]])
    assert printable(table) == "  met      C\n  not met  R"


class Gone(io.StringIO):
    def write(self, text: str) -> int:
        raise BrokenPipeError


def test_a_reader_that_went_away_disturbs_nobody() -> None:
    screen = Terminal(Gone(), {})
    screen.say("one")
    screen.say("two")
    assert screen.gone


def test_the_colours_of_a_plot_reach_the_terminal() -> None:
    stream = Tty()
    Terminal(stream, {"TERM": "xterm"}).say("\x1b[35mone\x1b[0m \x1b[36mtwo\x1b[0m \x1b[8mhidden")
    assert stream.getvalue() == "\x1b[35mone\x1b[0m \x1b[36mtwo\x1b[0m [8mhidden\n"
