"""What `pyproject.toml` declares and what the program imports is the same, and the lock file holds all of it."""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import json
import re
import sys
import tomllib
from email.message import Message
from email.parser import Parser
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.licenses import canonicalize_license_expression
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from trialcapture import __version__

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = {name: PROJECT["optional-dependencies"][name] for name in PROJECT["optional-dependencies"] if name != "test"}

_SPEC = importlib.util.spec_from_file_location("dependencies", ROOT / ".ci" / "dependencies.py")
assert _SPEC is not None
assert _SPEC.loader is not None
SCRIPT = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(SCRIPT)

MODULES = {
    "cyclonedx-python-lib": "cyclonedx",
    "pillow": "PIL",
    "pyserial": "serial",
    "python-can": "can",
    "zxing-cpp": "zxingcpp",
}
"""Modules whose name is not that of their distribution; "-" becomes "_" in all others."""
READ_AS_DATA = {"tzdata": "zoneinfo"}
"""Distributions without code: a module of Python itself finds them when it is asked for a zone."""
USED_THROUGH = {"defusedxml": "openpyxl", "python-multipart": "starlette"}
"""Distributions that another module uses where it finds them."""
COMES_WITH = {"pydantic_core": "pydantic"}
"""Modules that belong to another distribution, whose documentation tells its users to import them."""
NOT_IMPORTED_BY_TESTS = (
    "weasyprint",
    "mypy",
    "ruff",
    "import-linter",
    "pytest-xdist",
    "pandas-stubs",
    "scipy-stubs",
    "types-openpyxl",
    "types-pyserial",
)
"""Tools that tests run as programs, type stubs that mypy reads, and what the program itself imports in a test."""


def names_of(requirements: list[str]) -> set[str]:
    return {canonicalize_name(Requirement(text).name) for text in requirements}


def module_of(distribution: str) -> str:
    known = MODULES | READ_AS_DATA | USED_THROUGH
    return known.get(distribution, distribution.replace("-", "_"))


IMPORTING = ("import_module", "__import__", "importorskip")
"""Functions that import the module whose name they are given."""


@cache
def imports_of(path: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """First words of the modules that any line of a file imports, also inside functions and for types only.

    Returns:
        Those, and again those at the top of the file. The trees of all files are not kept: they are millions of
        objects, and every search for garbage would look through them.
    """
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    found: list[str] = []
    waiting: list[ast.AST] = [tree]
    while waiting:
        node = waiting.pop()
        found += imported_by(node)
        for part in ("body", "orelse", "finalbody", "handlers", "cases"):
            waiting += getattr(node, part, ())
    if any(name in text for name in IMPORTING):
        found += [
            str(node.args[0].value).partition(".")[0]
            for node in ast.walk(tree)
            if isinstance(node, ast.Call)
            and getattr(node.func, "attr", getattr(node.func, "id", "")) in IMPORTING
            and node.args
            and isinstance(node.args[0], ast.Constant)
        ]
    return tuple(found), tuple(name for node in tree.body for name in imported_by(node))


def imported_by(node: ast.AST) -> list[str]:
    """First words of the modules that a statement itself imports."""
    if isinstance(node, ast.Import):
        return [alias.name.partition(".")[0] for alias in node.names]
    if isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
        return [node.module.partition(".")[0]]
    return []


def imports_in(folder: Path) -> set[str]:
    """First words of the modules that any line of a folder imports."""
    return {name for path in folder.rglob("*.py") for name in imports_of(path)[0]}


def test_the_program_imports_what_is_declared_and_declares_what_it_imports() -> None:
    imported = imports_in(ROOT / "trialcapture") - set(COMES_WITH)
    declared = {
        module_of(name) for name in names_of([*PROJECT["dependencies"], *(r for e in EXTRAS.values() for r in e)])
    }
    ours = {"trialcapture", *sys.stdlib_module_names} - set(READ_AS_DATA.values())
    assert (sorted(declared - imported), sorted(imported - declared - ours)) == ([], [])


def test_workbooks_are_read_without_entities() -> None:
    from openpyxl.xml import DEFUSEDXML  # noqa: PLC0415

    assert DEFUSEDXML


def test_what_an_extra_brings_is_never_needed_to_start() -> None:
    optional = {module_of(name) for requirements in EXTRAS.values() for name in names_of(requirements)}
    for path in sorted((ROOT / "trialcapture").rglob("*.py")):
        modules = set(imports_of(path)[1])
        assert modules & optional == set(), path


def test_tests_import_what_is_declared_and_the_test_extra_holds_no_more() -> None:
    imported = imports_in(ROOT / "tests") | imports_in(ROOT / ".ci")
    of_tests = names_of(PROJECT["optional-dependencies"]["test"])
    declared = {module_of(name) for name in of_tests | names_of(PROJECT["dependencies"])}
    ours = {"trialcapture", "tests", *sys.stdlib_module_names}
    assert sorted(imported - declared - ours) == []
    assert sorted(name for name in of_tests - set(NOT_IMPORTED_BY_TESTS) if module_of(name) not in imported) == []


def test_every_dependency_has_a_lowest_version_and_the_lock_one_at_or_above_it() -> None:
    lock = (ROOT / ".ci" / "requirements.lock").read_text(encoding="utf-8")
    entries = re.split(r"\n(?=[a-z])", lock)[1:]
    locked: dict[str, list[Version]] = {}
    for entry in entries:
        name, version = re.match(r"([\w.-]+)==([\w.+!-]+)", entry).groups()  # type: ignore[union-attr]
        assert re.findall(r"--hash=sha256:[0-9a-f]{64}\b", entry), name
        locked.setdefault(canonicalize_name(name), []).append(Version(version))
    for text in [*PROJECT["dependencies"], *(r for e in EXTRAS.values() for r in e)]:
        wanted = Requirement(text)
        assert [s.operator for s in wanted.specifier if s.operator in (">=", "==")], text
        versions = locked.get(canonicalize_name(wanted.name))
        assert versions, f"{wanted.name} is not in the lock: python .ci/dependencies.py lock"
        assert all(version in wanted.specifier for version in versions), wanted.name


@pytest.mark.parametrize("tag", ["", "win_amd64", "macosx_14_0_arm64", "manylinux_2_28_x86_64"])
@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_each_computer_gets_one_version_of_everything_that_is_locked(tag: str, version: str) -> None:
    if not tag and version != f"3.{sys.version_info.minor}":
        with pytest.raises(SystemExit, match="needs --platform"):
            SCRIPT.locked_for(tag, version)
        return
    entries = re.split(r"\n(?=[a-z])", SCRIPT.locked_for(tag, version))
    names = [entry.partition("==")[0] for entry in entries]
    assert len(names) == len(set(names))
    assert {canonicalize_name(name) for name in names} >= names_of(PROJECT["dependencies"])
    for entry in entries:
        pinned, *hashes = entry.split()
        assert re.fullmatch(r"[\w.-]+==[\w.+!-]+", pinned), pinned
        assert [h for h in hashes if h != "\\" and not re.fullmatch(r"--hash=sha256:[0-9a-f]{64}", h)] == []
        assert len(hashes) > 1


def test_platform_tags_are_known_or_refused() -> None:
    assert SCRIPT.older_tags("win_amd64") == ["win_amd64"]
    # by PEP 600 a file for glibc 2.17 runs with 2.28; by PEP 599 manylinux2014 is glibc 2.17
    tags = SCRIPT.older_tags("manylinux_2_28_x86_64")
    assert tags[0] == "manylinux_2_28_x86_64"
    assert {"manylinux_2_17_x86_64", "manylinux2014_x86_64"} <= set(tags)
    assert "manylinux2014_x86_64" not in SCRIPT.older_tags("manylinux_2_12_x86_64")
    with pytest.raises(SystemExit, match="no platform tag"):
        SCRIPT.locked_for("windows", "3.12")


# ------------------------------------------------------------------------------
# The bill of materials: CycloneDX 1.6, checked with the library of its makers.
# ------------------------------------------------------------------------------

LOCK_TEXT = (ROOT / ".ci" / "requirements.lock").read_text(encoding="utf-8")
BILL: dict[str, Any] = json.loads((ROOT / ".ci" / "sbom.cdx.json").read_text(encoding="utf-8"))


def metadata(**fields: str) -> Message:
    lines = "".join(f"{name.replace('_', '-')}: {value}\n" for name, value in fields.items())
    return Parser().parsestr(f"Metadata-Version: 2.4\nName: tern\nVersion: 1\n{lines}\n")


def test_the_bill_of_materials_is_valid_to_another_library() -> None:
    text = (ROOT / ".ci" / "sbom.cdx.json").read_text(encoding="utf-8")
    validator = JsonStrictValidator(SchemaVersion.V1_6)
    assert validator.validate_str(text) is None
    assert validator.validate_str(text.replace('"library"', '"book"', 1)) is not None


def test_the_bill_of_materials_lists_what_is_locked() -> None:
    entries = {f"pkg:pypi/{e['name']}@{e['version']}": e for e in SCRIPT.lock_entries(LOCK_TEXT)}
    components = {c["bom-ref"]: c for c in BILL["components"]}
    assert len(entries) == len(re.findall(r"^[a-z].*==", LOCK_TEXT, re.MULTILINE))
    assert set(components) == set(entries), "python .ci/dependencies.py sbom"
    for ref, listed in components.items():
        (files,) = listed["externalReferences"]
        assert [h["content"] for h in files["hashes"]] == entries[ref]["hashes"]
        assert len(files["hashes"]) > 0
        assert (listed["purl"], listed["name"], listed["version"]) == (
            ref,
            entries[ref]["name"],
            entries[ref]["version"],
        )
    (lock,) = BILL["metadata"]["properties"]
    assert lock["value"] == hashlib.sha256(LOCK_TEXT.encode()).hexdigest(), "python .ci/dependencies.py sbom"


def test_every_component_has_a_licence() -> None:
    for listed in [BILL["metadata"]["component"], *BILL["components"]]:
        assert listed["licenses"], listed["name"]
        for choice in listed["licenses"]:
            text = choice.get("expression") or choice["license"].get("id")
            if text is None:
                assert len(choice["license"]["name"]) > 2, listed["name"]
            else:
                assert canonicalize_license_expression(text) == text, listed["name"]


def test_the_bill_of_materials_says_what_needs_what() -> None:
    own = BILL["metadata"]["component"]
    assert own["version"] == __version__, "python .ci/dependencies.py sbom"
    needs = {d["ref"]: d["dependsOn"] for d in BILL["dependencies"]}
    names = {c["bom-ref"]: c["name"] for c in BILL["components"]}
    assert set(needs) == {own["bom-ref"], *names}
    assert {ref for refs in needs.values() for ref in refs} == set(names)
    declared = names_of([*PROJECT["dependencies"], *(r for e in EXTRAS.values() for r in e)])
    assert {names[ref] for ref in needs[own["bom-ref"]]} == declared
    scopes = {c["name"]: c["scope"] for c in BILL["components"]}
    assert {scopes[canonicalize_name(name)] for name in names_of(PROJECT["dependencies"])} == {"required"}
    assert scopes["python-can"] == "optional"


def test_the_same_lock_gives_the_same_bill(tmp_path: Path) -> None:
    found = {
        (e["name"], e["version"]): metadata(License_Expression="MIT", Requires_Dist="numpy>=1")
        for e in SCRIPT.lock_entries(LOCK_TEXT)
    }
    text = SCRIPT.sbom_text(SCRIPT.bill_of_materials(LOCK_TEXT, found))
    assert text == SCRIPT.sbom_text(SCRIPT.bill_of_materials(LOCK_TEXT, dict(reversed(found.items()))))
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(text) is None
    assert "serialNumber" not in BILL
    assert "timestamp" not in BILL["metadata"]


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"License_Expression": "mit or apache-2.0"}, [{"expression": "MIT OR Apache-2.0"}]),
        ({"License_Expression": "BSD-3-Clause"}, [{"license": {"id": "BSD-3-Clause"}}]),
        ({"License": "MIT"}, [{"license": {"id": "MIT"}}]),
        ({"License": "BSD"}, [{"license": {"name": "BSD"}}]),
        (
            {"License": "Copyright (c) somebody", "Classifier": "License :: OSI Approved :: BSD License"},
            [{"license": {"name": "BSD License"}}],
        ),
        ({"License": "LicenseRef-Own"}, [{"expression": "LicenseRef-Own"}]),
    ],
)
def test_licences_are_those_that_components_declare(fields: dict[str, str], expected: list[dict[str, Any]]) -> None:
    assert SCRIPT.licences(metadata(**fields)) == expected


@pytest.mark.parametrize("fields", [{}, {"License": ""}, {"Classifier": "License :: OSI Approved"}])
def test_a_component_without_a_licence_is_named(fields: dict[str, str]) -> None:
    with pytest.raises(SystemExit, match="tern 1 declares no licence"):
        SCRIPT.licences(metadata(**fields))
