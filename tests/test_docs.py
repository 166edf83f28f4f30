"""What the documents for people name is there: paths, tests, commands, options, settings; and the guide stays short."""

from __future__ import annotations

import ast
import importlib.util
import re
import subprocess
from collections.abc import Iterator
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import get_args

import click
import pytest
from pydantic import BaseModel

import trialcapture
from trialcapture.cli import group
from trialcapture.config import Config, load_config
from trialcapture.frames import TrialFrames
from trialcapture.reduce.summary import Summary
from trialcapture.reduce.tables import BANDS_SCHEMA

ROOT = Path(__file__).parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md", "trialcapture/DECISIONS.md", "tests/RESULTS.md", "sample_logs/README.md")
GUIDE_BYTES = 12_000
"""DEVELOPERS.md without its CHANGELOG is read in one sitting."""
TITLE_CHARACTERS = 72
TITLES_SINCE = 1_796_041_033
"""Author time [s since 1970] from which on titles of commits are held to the rule; earlier ones stay as they are."""
NOT_OF_THE_TREE = frozenset({"raw", "trialset", "reduction", "signatures", ".venv"})
"""Folders of a session, and of an installation."""

_CODE = re.compile(r"(?<!`)`([^`\n]+)`(?!`)")
_FENCED = re.compile(r"^```\w*\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_PATH = re.compile(r"\.?[\w*-][\w.*-]*(?:/[\w.*-]*)+|[\w*-]+\.(?:py|j2)")
_LINK = re.compile(r"\]\(([^)#]+)")


def text_of(document: str) -> str:
    return (ROOT / document).read_text(encoding="utf-8")


def code_of(document: str) -> list[str]:
    """Every piece of code in a document, in backticks, fenced or indented."""
    text = text_of(document)
    fenced = [line for block in _FENCED.findall(text) for line in block.splitlines()]
    indented = [line.strip() for line in text.splitlines() if line.startswith("    ")]
    return [*_CODE.findall(_FENCED.sub("", text)), *fenced, *indented]


def paths_of(document: str) -> Iterator[str]:
    for code in _CODE.findall(_FENCED.sub("", text_of(document))):
        path = code.partition("::")[0]
        if _PATH.fullmatch(path) and not {*path.split("/")} & NOT_OF_THE_TREE:
            yield path


def is_there(path: str, beside: Path) -> bool:
    """Whether something matches a path, seen from the repository, the package or the document's own folder."""
    return any(path == "" or any(base.glob(path.rstrip("/"))) for base in (ROOT, ROOT / "trialcapture", beside))


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_path_a_document_names_exists(document: str) -> None:
    beside = (ROOT / document).parent
    missing = [path for path in paths_of(document) if not is_there(path, beside)]
    links = [to for to in _LINK.findall(text_of(document)) if "://" not in to and not (beside / to).exists()]
    assert (missing, links) == ([], [])


def test_the_commands_for_windows_are_such_that_its_prompts_know() -> None:
    blocks = re.findall(r"^```bat\n(.*?)^```$", text_of("README.md"), re.MULTILINE | re.DOTALL)
    lines = [line for block in blocks for line in block.splitlines()]
    assert len(lines) >= 5
    # the old PowerShell knows no &&, the Command Prompt no single quotes; a line is a command, whatever Python there is
    odd = [line for line in lines if re.search(r"&|'|;|\^$|`$|py -3|python3|/bin/|^ |^$", line)]
    assert odd == []
    assert all(line.startswith(("py -m ", ".venv\\Scripts\\")) for line in lines)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_test_a_document_names_exists(document: str) -> None:
    named = [code.split("::") for code in _CODE.findall(text_of(document)) if "::" in code]
    assert [parts for parts in named if parts[-1] not in functions_in(parts[0])] == []


@cache
def functions_in(path: str) -> set[str]:
    if not (ROOT / path).is_file():
        return set()
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_module_a_document_runs_or_names_exists(document: str) -> None:
    text = "\n".join(code_of(document))
    named = {
        *re.findall(r"python -m ([\w.]+)", text),
        *re.findall(r"\b((?:trialcapture|tests)(?:\.[a-z_0-9]+)+)\b", text),
    }
    assert [name for name in sorted(named) if not is_importable(name)] == []


def is_importable(name: str) -> bool:
    if name in ("pip", "venv", "pytest"):
        return True
    folder = ROOT.joinpath(*name.split("."))
    if folder.with_suffix(".py").is_file() or (folder / "__main__.py").is_file() or (folder / "__init__.py").is_file():
        return True
    owner, _, attribute = name.rpartition(".")
    if not owner or importlib.util.find_spec(owner) is None:
        return False
    return hasattr(importlib.import_module(owner), attribute)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_command_and_option_a_document_names_exists(document: str) -> None:
    commands = group.commands
    unknown = []
    for line in code_of(document):
        for name, rest in re.findall(r"(?:^|[\s/])trialcapture ([a-z][a-z-]+)([^&|#]*)", line):
            if name not in commands:
                unknown.append(f"trialcapture {name}")
                continue
            options = {
                o for p in commands[name].params if isinstance(p, click.Option) for o in (*p.opts, *p.secondary_opts)
            }
            given = set(re.findall(r"(?<=\s)(--[a-z-]+)", rest)) - {"--help"}
            unknown += [f"{name} {option}" for option in sorted(given - options)]
    assert unknown == []


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_option_of_our_own_scripts_exists(document: str) -> None:
    unknown = []
    for line in code_of(document):
        for module, script, rest in re.findall(
            r"python (?:-m ((?:tests|trialcapture)[\w.]*)|(\.ci/\S+))([^&|#]*)", line
        ):
            folder = ROOT / module.replace(".", "/")
            file = (
                ROOT / script
                if script
                else next(f for f in (folder / "__main__.py", folder.with_suffix(".py")) if f.is_file())
            )
            source = file.read_text(encoding="utf-8")
            unknown += [f"{file.name} {o}" for o in re.findall(r"(?<=\s)--[a-z-]+", rest) if f'"{o}"' not in source]
    assert unknown == []


def test_the_settings_table_names_every_key_and_no_other() -> None:
    table = text_of("README.md").partition("## Settings")[2].partition("\n## ")[0]
    named = set()
    for row in re.findall(r"^\| (`.*?) \| ", table, re.MULTILINE):
        section = ""
        for code in _CODE.findall(row):
            head, _, keys = code.rpartition("]")
            section = head.strip("[]") or section
            named |= {f"{section}.{key}" for key in keys.split()}
    # what stands in a table of columns is told below the settings
    known = {key for key in settings_keys(Config) if not key.startswith("engine_log.columns.")}
    assert (sorted(known - named), sorted(named - known)) == ([], [])


def test_the_settings_table_gives_the_defaults() -> None:
    engine = '[[engine]]\nid = "main"\nrated_rpm = 2000\n'
    planing, other = (load_config(f"[boat]\nplaning = {kind}\n{engine}", "boat.toml") for kind in ("true", "false"))
    table = text_of("README.md").partition("## Settings")[2].partition("\n## ")[0]
    compared = 0
    for first, told in re.findall(r"^\| (`\[(?:fuel|steady|samples)\].*?) \| (.*?) \| ", table, re.MULTILINE):
        section = first[2:].partition("]")[0]
        keys = [key for code in _CODE.findall(first) for key in code.rpartition("]")[2].split()]
        by_kind = "planing" in told
        values = [
            getattr(config if by_kind else getattr(config, section), key)
            for key in keys
            for config in ([planing, other] if by_kind else [planing])
        ]
        numbers = [float(v) for v in values if isinstance(v, int | float) and not isinstance(v, bool)]
        assert [float(text) for text in re.findall(r"(?<![\w.])\d+(?:\.\d+)?", told)] == numbers, first
        compared += len(numbers)
    assert compared >= 15


def settings_keys(model: type[BaseModel], prefix: str = "") -> set[str]:
    """Every key of a settings table that holds a value and no table of its own."""
    keys = set()
    for name, field in model.model_fields.items():
        tables = [t for t in parts_of(field.annotation) if isinstance(t, type) and issubclass(t, BaseModel)]
        if not tables or name == "columns":
            keys.add(f"{prefix}{name}")
        for table in tables:
            keys |= settings_keys(table, f"{prefix}{name}.")
    return keys


def parts_of(annotation: object) -> Iterator[object]:
    yield annotation
    for part in get_args(annotation):
        yield from parts_of(part)


def test_the_python_example_names_what_is_there() -> None:
    (example,) = re.findall(r"```python\n(.*?)```", text_of("README.md"), re.DOTALL)
    nodes = list(ast.walk(ast.parse(example)))
    of_trial = {n.attr for n in nodes if isinstance(n, ast.Attribute) and ast.unparse(n.value) == "trial"}
    of_summary = {n.attr for n in nodes if isinstance(n, ast.Attribute) and ast.unparse(n.value) == "trial.summary"}
    # columns of the table, and what the example itself adds to it; that it runs is tested beside `trialcapture.load`
    columns = {
        column.value
        for n in nodes
        if isinstance(n, ast.Subscript) and ast.unparse(n.value) == "bands" and isinstance(n.ctx, ast.Load)
        for column in ast.walk(n.slice)
        if isinstance(column, ast.Constant)
    } - {n.slice.value for n in nodes if isinstance(n, ast.Subscript) and isinstance(n.ctx, ast.Store)}
    of_trial |= set(re.findall(r"`trial\.(?!xlsx`)(\w+)`", text_of("README.md")))  # that one is a file
    assert (of_trial - set(dir(TrialFrames)), of_summary - {f.name for f in fields(Summary)}) == (set(), set())
    assert (columns - set(BANDS_SCHEMA.names), bool(columns), bool(of_summary)) == (set(), True, True)


def test_the_settings_that_the_readme_shows_are_settings() -> None:
    examples = re.findall(r"```toml\n(.*?)```", text_of("README.md"), re.DOTALL)
    assert [load_config(example, "README.md").source[0].kind for example in examples] == ["can"]


def test_the_guide_is_read_in_one_sitting() -> None:
    guide, _, changes = text_of("DEVELOPERS.md").partition("\n## CHANGELOG\n")
    assert changes.strip()
    assert "\n## " not in changes
    assert len(guide.encode()) <= GUIDE_BYTES


def test_the_guide_names_every_package() -> None:
    guide = text_of("DEVELOPERS.md")
    packages = [p.parent.name for p in sorted((ROOT / "trialcapture").glob("*/__init__.py"))]
    assert [name for name in packages if f"`{name}/`" not in guide] == []
    assert [name for name in packages if f"``{name}``" not in str(trialcapture.__doc__)] == []


def test_decisions_are_numbered_in_order_and_short() -> None:
    entries = re.findall(r"^(\d+)\. (.*)$", text_of("trialcapture/DECISIONS.md"), re.MULTILINE)
    assert [int(number) for number, _ in entries] == list(range(1, len(entries) + 1))
    assert all(entry.startswith(("**", "~~**")) and len(entry) < 1000 for _, entry in entries)
    struck = [entry for _, entry in entries if entry.startswith("~~")]
    successors = [re.search(r"(?:Replaced by|Withdrawn with) (\d+)", entry) for entry in struck]
    assert struck
    assert all(found is not None and int(found[1]) <= len(entries) for found in successors)


def test_titles_of_commits_name_the_package_and_are_short() -> None:
    log = subprocess.run(
        ["git", "log", "--no-merges", "--format=%at %s"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        encoding="utf-8",
    )
    if log.returncode != 0:
        pytest.skip("this is no git checkout")
    dated = [line.partition(" ") for line in log.stdout.splitlines()]
    titles = [title for time, _, title in dated if int(time) >= TITLES_SINCE]
    assert [t for t in titles if len(t) > TITLE_CHARACTERS or not re.match(r"[\w., /-]+: \S", t)] == []
