"""The commands ``explain``, ``schema`` and ``new``: what names mean, and files to begin with."""

from __future__ import annotations

import argparse
import json
import textwrap
from pathlib import Path
from typing import Any

from flapsim.cli import console

_KINDS = ("case", "plan", "rig")

_OPTIONAL = "A # before a key: it is optional, and the value shown is its default."

_HEADS = {
    "case": (
        "A flapping wing to start from: change what differs from yours.",
        {
            "flapsim check {file}": "proportions, or what is wrong with the case",
            "flapsim run {file}": "lift, thrust, power and efficiency",
            "flapsim explain NAME": "what a key or a result means",
        },
        f"{_OPTIONAL} Editors that know TOML complete and check this file after"
        " 'flapsim schema case -o case.schema.json' if its first line is"
        " #:schema ./case.schema.json\n\n"
        "Caution: a model is no proof that a craft is safe to build or to fly.",
    ),
    "plan": (
        "A plan to start from: a sweep computes its cases, which vary the case named by base.",
        {
            "flapsim new case.toml": "that case, if there is none yet",
            "flapsim sweep {file} -o results.h5": "compute every point",
            "flapsim compare results.h5": "rank and draw them",
            "flapsim explain plan": "what the keys mean",
        },
        _OPTIONAL,
    ),
    "rig": (
        "A rig file to start from: what the columns of a log are, and how well they are known.",
        {
            "flapsim reduce LOG.csv --rig {file}": "account for every watt",
            "flapsim explain rig": "what the keys mean",
        },
        f"{_OPTIONAL} All uncertainties are standard uncertainties (one standard deviation).",
    ),
}
"""How a new file opens: what it is, commands to go on with, and how to read it."""


def add_word_commands(commands: Any) -> None:
    """Add the commands of this module."""
    explain = console.add_command(
        commands,
        "explain",
        _explain,
        "explain a key, a result or a technical term",
        "flapsim explain mean.flapping_efficiency",
    )
    explain.add_argument(
        "name",
        metavar="NAME",
        nargs="*",
        help="such as stroke.inner.plunge, flapping_efficiency, reduced frequency [list groups]",
    )
    console.take_json(explain)
    schema = console.add_command(
        commands,
        "schema",
        _schema,
        "print the JSON Schema of a file, for editors that complete and check TOML",
        "flapsim schema case -o case.schema.json",
    )
    schema.add_argument("kind", metavar="KIND", choices=_KINDS, help=", ".join(_KINDS))
    console.take_output(schema, "schema file to write (.json) [standard output]")
    new = console.add_command(
        commands,
        "new",
        _new,
        "write a commented file to start from",
        "flapsim new wing.toml",
    )
    new.add_argument("file", metavar="FILE", type=Path, help="file to write (.toml)")
    new.add_argument("--kind", choices=_KINDS, default="case", help="what to write [case]")


def _explain(options: argparse.Namespace) -> None:
    from flapsim.show.definitions import explain, overview, suggestions

    name = " ".join(options.name)
    found = explain(name) if name else overview()
    if not found:
        near = suggestions(name)
        hint = f"; did you mean {', '.join(near)}?" if near else "; 'flapsim explain' lists groups"
        raise console.Stop(
            console.INPUT_AT_FAULT, f"explain: no key, result or term is called {name!r}{hint}"
        )
    if options.json:
        console.print_json({"definitions": [one.to_dict() for one in found]})
    else:
        print("\n\n".join(one.text for one in found))


def _schema(options: argparse.Namespace) -> None:
    from flapsim.case.schema import json_schema
    from flapsim.show.definitions import FILE_KINDS

    console.check_output(options, (".json",))
    document = json_schema(FILE_KINDS[options.kind], f"{options.kind} file of flapsim")
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    if options.output is None:
        print(text)
        return
    options.output.write_text(text + "\n", encoding="utf-8")
    console.say(f"wrote {options.output}")


def _new(options: argparse.Namespace) -> None:
    from flapsim.case.starter import starter_text
    from flapsim.show.definitions import FILE_KINDS

    if options.file.exists():
        raise console.Stop(
            console.INPUT_AT_FAULT, f"{options.file}: exists already; choose another name"
        )
    options.output, options.overwrite = options.file, False
    console.check_output(options, (".toml",))
    what, commands, how = _HEADS[options.kind]
    named = {command.format(file=options.file): does for command, does in commands.items()}
    width = max(map(len, named))
    lines = [f"  {command:<{width}}  {does}" for command, does in named.items()]
    paragraphs = [textwrap.fill(text, 98) for text in how.split("\n\n")]
    head = "\n\n".join([what, "\n".join(lines), *paragraphs])
    text = starter_text(FILE_KINDS[options.kind], f"starter_{options.kind}.toml", head)
    with options.file.open("x", encoding="utf-8") as file:
        file.write(text)
    next_step = f"next: flapsim check {options.file}" if options.kind == "case" else ""
    console.say(f"wrote {options.file}" + (f"; {next_step}" if next_step else ""))
