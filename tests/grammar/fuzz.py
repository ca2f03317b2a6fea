"""Grammar-aware fuzz: recipes printed from random trees, then spoilt, read without ever a crash.

    python -m tests.grammar.fuzz N [SEED] [--check]

reads N texts, N as in 1_000_000. Every text must give problems that have a place in it, can be
drawn and say what to do, in bounded time and memory; one without errors must be laid out, and the
layout be stable. `--check` puts the checker behind it. An input is known by its seed and number
alone, and what fails is shown with them.
"""

from __future__ import annotations

import argparse
import faulthandler
import re
import sys
import time
from collections import Counter
from random import Random

from grammar.diagnostic import Problem, Problems, as_data, draw, draw_short
from grammar.first_words import FIRST_WORDS
from grammar.layout import format_text, recipe_text
from grammar.lines import MOST_PROBLEMS
from grammar.parse import parse
from grammar.tree import Recipe
from grammar.wording import keywords
from tests.grammar.trees import NAMES, UNITS, recipe, untidy

# A block after which more may stand than the most problems: those of lines that open one, and the
# word that no more are sought.
MOST_FOUND = MOST_PROBLEMS + 10
BASES = 300
LONGEST_S = 10.0
MOST_MEMORY = 2 << 30

WORDS = (
    *(word for words in FIRST_WORDS.values() for word in words),
    *keywords().values(),
    *NAMES,
    *(
        "1",
        "0",
        "-1",
        "1e400",
        "1e-400",
        "9" * 99,
        "4k7",
        "R47 ohm",
        "2.7 V",
        "1,5",
        "1.",
        ".",
        "1e",
    ),
    *(f"3{unit}" for unit in UNITS),
    *("(", ")", ",", ":", "=", "==", "<", ">=", "+", "-", "*", "/", "^", "²", "±", "+/-", "#"),
    *('"', '""', '"{', '"{x}"', '"}"', '"\\x"', "{", "}", "[", "]", "'", "“", "≤", "×", ";", "\\"),
)
CHARACTERS = (
    '()",:.#{}\\\t \n =<>*/^-+±²µμΩ\u2126°%5eV_\u00a0\u200b\x00\r\x0b\x0c\x85\u2028[]~é電\U0001f50c'
    "\ufeff\u0301\u0660"
)


def problems_of(text: str) -> tuple[Recipe, Problems]:
    """A text read: its problems have places in it, can be shown, and say what to do."""
    tree, problems = parse(text)
    found = list(problems)
    assert len(found) <= MOST_FOUND
    lines = problems.source.text.split("\n")
    for problem in found:
        assert_shown(problem, lines)
        assert problem.severity == "error"
    assert [p.span for p in found] == sorted(p.span for p in found)
    assert len({(p.slug, p.span) for p in found}) == len(found)
    assert tree.span.line == 1
    return tree, problems


def assert_shown(problem: Problem, lines: list[str], widest: int = 500) -> None:
    """A problem has a place in the text, words, and a way to be drawn in lines of bounded width."""
    line, column, end_line, end_column = problem.span
    assert 1 <= line <= end_line <= len(lines), problem
    assert 1 <= column <= len(lines[line - 1]) + 1, problem
    assert 1 <= end_column <= len(lines[end_line - 1]) + 2, problem
    assert (line, column) < (end_line, end_column), problem
    assert problem.message, problem
    assert problem.hint, (problem.slug, problem.message)
    assert not re.search(r"\b[A-Z]{3,}_[A-Z]|\$END|Token|None\b", problem.message + problem.hint)
    assert max(map(len, draw(problem).split("\n"))) <= widest
    assert draw_short(problem).isprintable()
    assert as_data(problem)["slug"]


class Fuzz:
    """The inputs of one seed: `text(number)` is the same wherever it is asked for."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.bases = [self._base(number) for number in range(BASES)]

    def _base(self, number: int) -> str:
        random = Random(f"{self.seed}/base/{number}")
        return recipe_text(recipe(random))

    def text(self, number: int) -> str:
        """The input of a number."""
        random = Random(f"{self.seed}/{number}")
        if random.random() < 0.02:
            return hostile(random)
        text = random.choice(self.bases)
        if random.random() < 0.1:
            text = untidy(random, text)
        if random.random() < 0.8:
            text = _cut(random, text)
        for _ in range(random.choice((0, 1, 1, 1, 2, 3, 8))):
            text = random.choice(_MUTATIONS)(random, text)
        return text


def _cut(random: Random, text: str) -> str:
    """A few lines of a text in a row, beneath what makes them steps or not."""
    lines = text.split("\n")
    start = random.randrange(len(lines))
    kept = lines[start : start + random.randrange(1, 12)]
    head = random.choice(([], ['recipe "Ridge"', "steps:"], ['recipe "R"', "results:"], ["steps:"]))
    return "\n".join([*head, *kept]) + "\n"


def _place(random: Random, text: str) -> int:
    return random.randrange(len(text) + 1)


def _characters(random: Random, text: str) -> str:
    at = _place(random, text)
    put = "".join(random.choice(CHARACTERS) for _ in range(random.randrange(4)))
    return text[:at] + put + text[at + random.randrange(3) :]


def _tokens(random: Random, text: str) -> str:
    bits = re.findall(r'"(?:[^"\\]|\\.)*"|\s+|\w+|[^\s\w]', text)
    if not bits:
        return random.choice(WORDS)
    at = random.randrange(len(bits))
    change = random.randrange(4)
    if change == 0:
        del bits[at]
    elif change == 1:
        bits.insert(at, f" {random.choice(WORDS)} ")
    elif change == 2:
        bits[at] = random.choice(WORDS)
    else:
        other = random.randrange(len(bits))
        bits[at], bits[other] = bits[other], bits[at]
    return "".join(bits)


def _lines(random: Random, text: str) -> str:
    lines = text.split("\n")
    at = random.randrange(len(lines))
    change = random.randrange(4)
    if change == 0:
        del lines[at]
    elif change == 1:
        lines.insert(at, random.choice(lines))
    elif change == 2:
        lines[at] = " " * random.randrange(12) + lines[at].strip()
    else:
        lines[at] = lines[at].removesuffix(":") if random.random() < 0.5 else f"{lines[at]},"
    return "\n".join(lines)


def _numbers(random: Random, text: str) -> str:
    found = list(re.finditer(r"\d[\d.]*", text))
    if not found:
        return text
    match = random.choice(found)
    digits = random.choice(("9" * random.randrange(1, 400), "1e999", "0", "1.2.3", "1,5", "0x10"))
    return text[: match.start()] + digits + text[match.end() :]


def _nesting(random: Random, text: str) -> str:
    at, count = _place(random, text), random.randrange(1, 90)
    put = random.choice(("(", ")", "-", "not ", "((1 V) + ", "max(", "2^", "{", '"', "f(x = "))
    return text[:at] + put * count + text[at:]


def _truncated(random: Random, text: str) -> str:
    return text[: _place(random, text)]


SPOILS = (_characters, _tokens, _numbers, _nesting, _truncated)
"""Ways to spoil a line; `_lines` needs more than one."""
_MUTATIONS = (
    _characters, _characters, _tokens, _tokens, _tokens, _lines, _lines, _numbers, _nesting,
    _truncated,
)  # fmt: skip


def hostile(random: Random) -> str:
    """Something large: deep blocks, long lines, many lines of one kind."""
    size = random.choice((30, 100, 1_000, 5_000))
    kind = random.randrange(8)
    head = 'recipe "Ridge"\nsteps:\n'
    if kind == 0:
        return head + "".join(f"{' ' * (k + 1)}if 1 > 2:\n" for k in range(min(size, 400)))
    if kind == 1:
        return head + f"    let a = {'(' * size}1{')' * size}\n"
    if kind == 2:
        return head + f"    {random.choice(WORDS)} " * size
    if kind == 3:
        return head + f"    {random.choice(WORDS)} {random.choice(WORDS)}\n" * size
    if kind == 4:
        return head + "    measure smu,\n" + "    x,\n" * size
    if kind == 5:
        joined = random.choice((" + ", "*", "^", " and ", ", ", ". ")).join(["1 V"] * size)
        return head + f"    let a = ({joined})\n"
    if kind == 6:
        return f'{head}    say "{random.choice(("{x}", "{", chr(92), "}}")) * size}"\n'
    return head + "    let a = 1 " + "*".join(["V"] * size)


def examine(text: str, checked: bool = False) -> str:
    """Read a text, and say what came of it; raises AssertionError where something is wrong."""
    start = time.perf_counter()
    tree, problems = problems_of(text)
    outcome = "refused"
    if not problems.has_errors:
        formatted, _ = format_text(text)
        assert format_text(formatted)[0] == formatted
        outcome = "read"
    if checked:
        from sequencer.checker import check

        check(tree, problems)
        lines = problems.source.text.split("\n")
        for problem in problems:
            # What the checker says may quote a name of any length, and more than once.
            assert_shown(problem, lines, widest=5_000)
        outcome += ", checked" if problems.has_errors else ", fit to run"
    assert time.perf_counter() - start < LONGEST_S, "it took too long"
    return outcome


def bound_memory() -> None:
    """What asks for more memory than this fails, where the system can bound it."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))


def watch() -> None:
    """What hangs from here on shows where, and ends."""
    faulthandler.dump_traceback_later(6 * LONGEST_S, exit=True)


def main(arguments: list[str]) -> int:
    """Read as many texts as asked for; 1 where one failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.grammar.fuzz", description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int, nargs="?", default=0)
    parser.add_argument("--check", action="store_true", help="put the checker behind it")
    parser.add_argument("--from", type=int, default=0, dest="first", help="the first number")
    asked = parser.parse_args(arguments)
    bound_memory()
    fuzz, outcomes, slugs = Fuzz(asked.seed), Counter[str](), Counter[str]()
    start = time.perf_counter()
    slowest, failed = 0.0, 0
    for number in range(asked.first, asked.first + asked.count):
        text = fuzz.text(number)
        watch()
        began = time.perf_counter()
        try:
            outcomes[examine(text, asked.check)] += 1
        except Exception as error:  # whatever it is, it is to be shown
            failed += 1
            print(f"--- seed {asked.seed}, number {number}: {type(error).__name__}: {error}")
            print(repr(text[:2_000]), flush=True)
        slowest = max(slowest, time.perf_counter() - began)
        if number % 1_000 == 0:
            slugs.update(problem.slug for problem in parse(text)[1])
    faulthandler.cancel_dump_traceback_later()
    took = time.perf_counter() - start
    print(f"{asked.count} texts of seed {asked.seed} in {took:.0f} s, the slowest {slowest:.2f} s")
    for outcome, count in outcomes.most_common():
        print(f"{count:>9} {outcome}")
    print("of every thousandth:", ", ".join(f"{slug} {n}" for slug, n in slugs.most_common()))
    print(f"{failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
