"""The live view: a process of its own that shows a run by reading its record.

It is started before the bench is opened and is told what to follow and to show through its standard
input, a line each: `run ID`, `say WORDS`, `ask WORDS`, `asked`. The end of that input ends it, so
it never outlives the run. On a terminal it draws over itself; on a pipe or a dumb terminal it
writes a line once in a while. It holds no link and can switch nothing.
"""

from __future__ import annotations

import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING

from sequencer.report.terminal import Terminal, printable

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from sequencer.report.following import Following, Snapshot

REFRESH_S = 0.25
PLAIN_EVERY_S = 10.0
PATIENCE_S = 5.0  # for the view to show the last of a run
SHOWN_HAPPENINGS = 200


class LiveView:
    """The run's side of the view. What goes wrong with the view never disturbs the run."""

    def __init__(self, store: Path, terminal: Terminal) -> None:
        command = [sys.executable, "-m", "sequencer.report.live", str(store)]
        # Found there also where this program is run from its sources.
        packages = [str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")]
        self._terminal = terminal
        # A session of its own keeps the terminal's Ctrl-C from it: the run heeds that, and the view
        # is to show what comes of it.
        self._process: subprocess.Popen[str] | None = None
        with suppress(OSError):
            self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
                command,
                stdin=subprocess.PIPE,
                stdout=terminal.stream.fileno(),
                text=True,
                encoding="utf-8",
                env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, packages))},
                start_new_session=True,
            )

    @property
    def running(self) -> bool:
        """Whether anybody is still shown anything."""
        return self._process is not None and self._process.poll() is None

    def follow(self, run_id: str) -> None:
        """The run has an id now."""
        self._send(f"run {run_id}")

    def say(self, words: str) -> None:
        """Show words that are not on record; where there is no view, on the terminal itself."""
        if not self._send("say " + " ".join(words.split())):
            self._terminal.say(words)

    def note(self, words: str) -> None:
        """Words that are on record: the view finds them there."""
        if not self.running:
            self._terminal.say(words)

    def ask(self, words: str) -> None:
        """Show a question and leave the terminal to the person, until it is over."""
        if not self._send("ask " + " ".join(words.split())):
            self._terminal.say(words)

    def asked(self) -> None:
        """No question is open any more: the view goes on."""
        self._send("asked")

    def close(self) -> None:
        """The run is over: let the view show the last of it, in bounded time."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.stdin is not None:
            with suppress(OSError):
                process.stdin.close()
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def _send(self, line: str) -> bool:
        process = self._process
        if process is None or process.stdin is None or process.poll() is not None:
            return False
        try:
            process.stdin.write(line + "\n")
            process.stdin.flush()
        except (OSError, ValueError):
            return False
        return True


def render(snapshot: Snapshot, width: int) -> RenderableType:
    """A run as it stands: progress, the step in hand, each channel and how near its guards are."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    from sequencer.report.words import bar, progress, reading, setting

    head = Table.grid(padding=(0, 2))
    head.add_row(Text(printable(snapshot.title), "bold"))
    head.add_row(Text(progress(snapshot)))
    if snapshot.step:
        head.add_row(Text(printable(snapshot.step), "dim", overflow="ellipsis", no_wrap=True))
    parts: list[RenderableType] = [head]
    for look in snapshot.channels:
        state = Text("ON " if look.on else "off", "bold red" if look.on else "green")
        name = look.channel + (f" ({look.part})" if look.part else "")
        parts.append(Text.assemble((name, "bold"), "  ", state, "  ", setting(look)))
        parts.append(Text("  " + reading(look)))
        for guard in look.guards:
            style = "red" if guard.used >= 0.95 else "yellow" if guard.used >= 0.8 else ""
            parts.append(Text(bar(guard, width), style, overflow="ellipsis", no_wrap=True))
    if snapshot.lines:
        parts.append(Text(", ".join(f"{name} {state}" for name, state in snapshot.lines)))
    parts.append(Text("Ctrl-C stops the run and switches off.", "dim"))
    return Group(*parts)


def draw_over(
    terminal: Terminal, console: Console, following: Callable[[], Following | None], heard: Heard
) -> None:
    """Show a run on a terminal until the input ends."""
    from rich.live import Live
    from rich.text import Text

    from sequencer.report.words import counts_down, happening

    shown: RenderableType = Text("")
    with Live(console=console, auto_refresh=False, transient=True) as live:
        while True:
            ended = heard.wait(REFRESH_S)
            for words in heard.said():
                live.console.print(Text(printable(words), "bold yellow"))
            question = heard.asked()
            if question:
                # The person types beneath: from here on the view writes nothing, until it is over.
                live.update(Text(""), refresh=True)
                live.console.print(shown)
                live.console.print(Text(printable(question), "bold yellow"))
            if heard.question and not ended:
                continue
            found = following()
            if found is not None:
                snapshot = found.look()
                for time, text in snapshot.happened[-SHOWN_HAPPENINGS:]:
                    live.console.print(Text(happening(terminal, time, text)))
                    if counts_down(text):
                        live.console.bell()
                shown = render(snapshot, console.width)
                live.update(shown, refresh=True)
            if ended:
                return


def write_lines(
    terminal: Terminal,
    following: Callable[[], Following | None],
    heard: Heard,
    every_s: float = PLAIN_EVERY_S,
) -> None:
    """Write what happens, and a line on how it stands once in a while, until the input ends."""
    from sequencer.report.words import happening, line

    shown = None
    while True:
        ended = heard.wait(REFRESH_S)
        for words in heard.said():
            terminal.say(words)
        if question := heard.asked():
            terminal.say(question)
        found = following()
        if found is not None:
            snapshot = found.look()
            for time, text in snapshot.happened[-SHOWN_HAPPENINGS:]:
                terminal.say(happening(terminal, time, text))
            if shown is None or snapshot.elapsed_s >= shown + every_s:
                shown = snapshot.elapsed_s
                terminal.say(line(snapshot))
        if ended:
            return


class Heard:
    """What the run's process says through the standard input, read by a thread of its own."""

    def __init__(self, stream: IO[str]) -> None:
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._said: list[str] = []
        self.run_id = ""
        self.question = ""
        self._new_question = False
        threading.Thread(target=self._listen, args=(stream,), daemon=True).start()

    def _listen(self, stream: IO[str]) -> None:
        with suppress(OSError, ValueError):
            for text in stream:
                self._lines.put(text.rstrip("\n"))
        self._lines.put(None)

    def wait(self, seconds: float) -> bool:
        """Wait for a line, at most so long; True where the input has ended."""
        try:
            text = self._lines.get(timeout=seconds)
        except queue.Empty:
            return False
        if text is None:
            return True
        word, _, rest = text.partition(" ")
        if word == "run":
            self.run_id = rest
        elif word == "say":
            self._said.append(rest)
        elif word in ("ask", "asked"):
            self.question, self._new_question = rest, word == "ask"
        return False

    def asked(self) -> str:
        """The question that was asked since the last time, empty where there is none."""
        new, self._new_question = self._new_question, False
        return self.question if new else ""

    def said(self) -> list[str]:
        """What was said since the last time."""
        words, self._said = self._said, []
        return words


def main(store: str) -> None:
    """Follow the run that is named on the standard input until that ends."""
    from sequencer.record import StoreError, open_record
    from sequencer.report.following import Following

    # The run's process gets these and ends; the view ends with it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    heard = Heard(sys.stdin)
    terminal = Terminal(sys.stdout)
    followed: list[Following] = []

    def following() -> Following | None:
        if not followed and heard.run_id:
            followed.append(Following(open_record(store).run(heard.run_id)))
        return followed[0] if followed else None

    # A terminal that went away leaves nobody to show anything to.
    with suppress(OSError):
        try:
            if terminal.live:
                from rich.console import Console

                draw_over(terminal, Console(no_color=not terminal.coloured), following, heard)
            else:
                write_lines(terminal, following, heard)
        except StoreError as error:
            terminal.say(f"The view can't read the record: {error.message}. The run goes on.")


if __name__ == "__main__":
    main(sys.argv[1])
