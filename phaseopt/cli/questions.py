"""The questions that `phaseopt new` asks on a terminal, each answer checked as it is given and saved."""

import json
import shutil
import sys
import textwrap
from contextlib import suppress
from pathlib import Path

import typer

from phaseopt.io.text import MOST_RECORD, require_plain
from phaseopt.project.answers import Answers
from phaseopt.project.questions import Given, Question, answers_of, questions
from phaseopt.values.errors import InputError

_WIDTH = 100
_FIRST = """\
About twenty questions, then a project to fill in. Enter leaves a blank, or takes the first choice.
?  why it is asked     <  the question before     Ctrl-C  stop; answers are kept, and `phaseopt new` goes on from there
"""


def asked(given: dict[str, str], saved: Path) -> Answers:
    """Ask on the terminal what a project depends on; `given` holds the answers so far and is added to.

    Each answer is written to the file `saved`. Questions go to standard error, so that what is printed stays clean.
    Raises `InputError` where standard input is no terminal or the file cannot be written, and `KeyboardInterrupt` where
    the answers end.
    """
    if not on_a_terminal():
        raise InputError.one(
            "it asks questions, and there is no terminal to answer on",
            hint="add --yes for the commonest engine with everything left blank, or --example for a finished project",
            where="phaseopt new",
        )
    typer.echo(_FIRST, err=True)
    if given:
        typer.echo(f"{len(given)} answers are kept from last time; < goes back to them.\n", err=True)
    while (question := next((each for each in questions(given) if each.name not in given), None)) is not None:
        answer = _answer(question, given)
        if answer == "<":
            before = [each.name for each in questions(given) if each.name in given]
            if before:
                del given[before[-1]]
            continue
        given[question.name] = answer
        _save(given, saved)
    return answers_of(given)


def saved_answers(saved: Path) -> dict[str, str]:
    """The answers of an earlier time, by question, less those that are none any more; none where there is no file.

    Raises `InputError` where the file holds no answers, since it is written over.
    """
    require_plain(saved, MOST_RECORD)
    try:
        found = json.loads(saved.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError):
        found = None
    answers = {str(name): str(answer) for name, answer in found.items()} if isinstance(found, dict) else {}
    given: dict[str, str] = {}
    for question in questions(answers):
        if question.name in answers:
            with suppress(InputError):  # asked again
                question.parse(answers[question.name], given)
                given[question.name] = answers[question.name]
    if not given:
        hint = "delete it to begin again, or name another directory"
        raise InputError.one("has no answers of an earlier `phaseopt new`", hint=hint, file=saved)
    return given


def _save(given: Given, saved: Path) -> None:
    try:
        saved.parent.mkdir(parents=True, exist_ok=True)
        saved.write_text(json.dumps(given, indent=2), encoding="utf-8")
    except OSError as error:
        problem = f"cannot be written ({error.strerror})"
        raise InputError.one(problem, hint="name a directory that may be written to", file=saved) from error


def on_a_terminal() -> bool:
    """Whether somebody can answer."""
    return sys.stdin.isatty()


def _answer(question: Question, given: Given) -> str:
    """An answer that the question takes, "" for a blank, or "<" to go back."""
    _ask(question)
    while True:
        typer.echo("> ", err=True, nl=False)
        answer = _line()
        if answer == "?":
            typer.echo(_wrapped(question.why), err=True)
            continue
        if answer == "<":
            return answer
        try:
            found = question.parse(answer, given)
        except InputError as error:
            for mistake in error.mistakes:
                typer.echo(_wrapped(mistake.shortened()), err=True)
            continue
        if question.choices:
            return str(found.get(question.name, question.choices[0][0]))
        return answer


def _ask(question: Question) -> None:
    example = f"   e.g. {question.example}" if question.example else ""
    typer.echo(f"{question.text}{example}", err=True)
    for number, (_, meaning) in enumerate(question.choices, start=1):
        typer.echo(f"  {number}  {meaning}", err=True)


def _wrapped(text: str) -> str:
    """Text under a question, in whole words to a line."""
    width = min(_WIDTH, shutil.get_terminal_size().columns)
    return textwrap.fill(text, width, initial_indent="  ", subsequent_indent="  ", break_long_words=False)


def _line() -> str:
    try:
        return input().strip()
    except EOFError:
        raise KeyboardInterrupt from None
