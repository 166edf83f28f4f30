"""Check the declared dependencies, lock them, list them, and gather them for a laptop without internet.

Three commands, run before a release from the root of the repository::

    python .ci/dependencies.py lock
    python .ci/dependencies.py sbom
    python .ci/dependencies.py wheels wheels [--platform win_amd64 --python 3.12]

``lock`` writes ``.ci/requirements.lock``: every dependency of the program with its extras, on any platform, with
the hashes of its files. It then installs the program twice, once from the lock and once with the lowest version that
``pyproject.toml`` allows of each dependency, and processes the sample logs with both. What people read must be equal:
the printed answers, the band and leg tables, and the text of the report.

``sbom`` writes ``.ci/sbom.cdx.json``, the bill of materials (CycloneDX 1.6): every component of the lock with its
version, the hashes of its files, its licence as its own metadata declares it, and what depends on what. The same lock
gives the same bytes: there is no time and no random serial number in it.

``wheels`` fills a folder with the program and every locked file it needs, for this computer or another.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
import venv
import zipfile
from collections.abc import Collection, Iterable, Mapping, Sequence
from email.message import Message
from email.parser import Parser
from pathlib import Path
from typing import Any

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name, parse_wheel_filename

ROOT = Path(__file__).resolve().parents[1]
LOCK = ROOT / ".ci" / "requirements.lock"
SBOM = ROOT / ".ci" / "sbom.cdx.json"
UV = "uv>=0.5"
"""Resolves for all platforms at once, which pip-compile does not."""
LOOSE = {
    "plain_nmea": (["trial.nmea"], ["outboard.csv"]),
    "tagged_gz": (["trial-1.nmea.gz", "trial-2.nmea.gz"], ["port engine.csv", "stbd engine.csv"]),
    "messy_zst": (["trial.nmea.zst"], ["engines.csv"]),
}
"""Sample logs that are no session yet: NMEA logs, engine logs."""
FRAMES = """
import sys, trialcapture
trial = trialcapture.load(sys.argv[1])
for frame in (trial.bands, trial.legs, trial.notes, trial.samples.iloc[::600]):
    print(frame.to_csv(float_format="%.6g", date_format="%Y-%m-%dT%H:%M:%S.%f"), frame.attrs["units"])
"""
_SYSTEMS = {"win": ("win32", "nt", "Windows"), "macosx": ("darwin", "posix", "Darwin"),
            "manylinux": ("linux", "posix", "Linux"), "linux": ("linux", "posix", "Linux")}  # fmt: skip
"""By the first word of a platform tag: sys_platform, os_name and platform_system of environment markers."""
_LOOKED_AT = ("manylinux_2_28_x86_64", "win_amd64", "macosx_14_0_arm64")
"""Systems as which licences are looked up."""


def main() -> int:
    """Run the command line; 1 where results differ or a file is missing."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    lock = commands.add_parser("lock", help="lock the newest versions, and compare results with the lowest")
    lock.add_argument("--keep-lock", action="store_true", help="compare only; do not look for newer versions")
    commands.add_parser("sbom", help="write the bill of materials of what is locked")
    wheels = commands.add_parser("wheels", help="gather the program and its dependencies in a folder")
    wheels.add_argument("folder", type=Path)
    wheels.add_argument("--platform", action="append", help="tag such as win_amd64, macosx_14_0_arm64; default here")
    wheels.add_argument("--python", default=f"3.{sys.version_info.minor}", help="version such as 3.12; default this")
    arguments = parser.parse_args()
    if arguments.command == "wheels":
        return gather_wheels(arguments.folder, arguments.platform, arguments.python)
    with tempfile.TemporaryDirectory(prefix="trialcapture-lock-") as made:
        if arguments.command == "sbom":
            return write_sbom(Path(made))
        return check(Path(made), keep_lock=arguments.keep_lock)


def check(work: Path, *, keep_lock: bool) -> int:
    """Write the lock, then compare the results of the lowest versions with those of the locked ones."""
    if not keep_lock:
        write_lock(work)
    lowest = work / "lowest.txt"
    lowest.write_text("".join(f"{pin}\n" for pin in lowest_pins()), encoding="utf-8")
    shown: dict[str, dict[str, str]] = {}
    for name, install in {
        "lowest": ["-c", str(lowest), f"{ROOT}[can]"],
        "locked": ["--require-hashes", "-r", str(LOCK)],
    }.items():
        python = make_venv(work / name)
        run(python, "-m", "pip", "install", "-q", *install)
        if name == "locked":
            run(python, "-m", "pip", "install", "-q", "--no-deps", str(ROOT))
        shown[name] = results(python, work / f"{name}-sessions")
    differing = [what for what, text in shown["lowest"].items() if shown["locked"][what] != text]
    for what in differing:
        print(f"{what} differs:")
        pairs = zip(shown["lowest"][what].splitlines(), shown["locked"][what].splitlines(), strict=False)
        for low, high in [pair for pair in pairs if pair[0] != pair[1]][:10]:
            print(f"  lowest {low}\n  locked {high}")
    print(f"{len(shown['lowest'])} results of the lowest and the locked versions compared, {len(differing)} differ")
    return 1 if differing else 0


def write_lock(work: Path) -> None:
    """Resolve the newest versions for all platforms and write them with hashes."""
    python = make_venv(work / "resolver")
    run(python, "-m", "pip", "install", "-q", UV)
    run(
        python, "-m", "uv", "pip", "compile", "--quiet", "--universal", "--python-version", "3.11", "--upgrade",
        "--generate-hashes", *(word for name in extras_of_users() for word in ("--extra", name)), "--no-annotate",
        "--custom-compile-command", "python .ci/dependencies.py lock", "--output-file", str(LOCK),
        str(ROOT / "pyproject.toml"),
    )  # fmt: skip


def extras_of_users() -> dict[str, list[str]]:
    """Return what each extra that users install needs, by its name."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return {name: texts for name, texts in project["optional-dependencies"].items() if name != "test"}


def lowest_pins() -> list[str]:
    """Return ``name==version`` with the lowest version declared of each dependency and extra that users install."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pins = []
    extras = extras_of_users()
    for text in [*project["dependencies"], *(text for texts in extras.values() for text in texts)]:
        wanted = Requirement(text)
        (lowest,) = [s.version for s in wanted.specifier if s.operator in (">=", "==")]
        pins.append(f"{wanted.name}=={lowest}")
    return pins


def results(python: Path, work: Path) -> dict[str, str]:
    """Process every sample with one installation and return what people read of each, by name."""
    everything = (
        "import importlib, pkgutil, trialcapture\n"
        "for m in pkgutil.walk_packages(trialcapture.__path__, 'trialcapture.'):\n"
        "    m.name.endswith('__main__') or importlib.import_module(m.name)"
    )
    run(python, "-c", everything, cwd=work.parent)
    command = [str(python), "-m", "trialcapture"]
    work.mkdir()
    shown = {}
    for sample in sorted(p for p in (ROOT / "sample_logs").iterdir() if p.is_dir()):
        session = work / sample.name
        if sample.name in LOOSE:
            logs, engine_logs = ([str(sample / name) for name in names] for names in LOOSE[sample.name])
            tables = [argument for log in engine_logs for argument in ("--engine-log", log)]
            run(*command, "collect", *logs, *tables, "--config", sample / "boat.toml", "--into", session, cwd=work)
        else:
            shutil.copytree(sample, session, ignore=shutil.ignore_patterns("trialset", "reduction"))
        seen = {"printed answers": run(*command, "process", sample.name, cwd=work)}
        for table in ("bands.csv", "legs.csv"):
            seen[table] = (session / "reduction" / table).read_text(encoding="utf-8")
        seen["frames"] = run(python, "-c", FRAMES, sample.name, cwd=work)
        page = (session / "reduction" / "report.html").read_text(encoding="utf-8")
        # coordinates of drawings are matplotlib's, and no number that anybody reads
        seen["text of the report"] = re.sub(r"<[^>]*>", "\n", re.sub(r"<svg.*?</svg>", "", page, flags=re.DOTALL))
        # the id of a session that was put together just now holds the time of that
        named = tomllib.loads((session / "session.toml").read_text(encoding="utf-8"))["session"]["id"]
        shown |= {f"{sample.name}: {what}": _without_origin(text.replace(named, "ID")) for what, text in seen.items()}
    return shown


def _without_origin(text: str) -> str:
    """Return a text without what says when and with what it was made: hashes, roots, times of the seal, versions."""
    text = re.sub(r"\b[0-9a-f]{64}\b|\b(?:[0-9a-f]{5}-){3}[0-9a-f]{5}\b", "HASH", text)
    text = re.sub(r"intact since [-0-9]+ [0-9:]+ UTC", "intact since TIME", text)
    text = re.sub(r"\S+Z: (file collected|recording closed)", r"TIME: \1", text)
    return re.sub(r"\b((?:trialcapture|python|numpy|scipy|pyarrow|matplotlib)\s+)[0-9][0-9.]+", r"\1VERSION", text)


def write_sbom(work: Path) -> int:
    """Write the bill of materials of what is locked, with licences read from the locked files themselves."""
    lock = LOCK.read_text(encoding="utf-8")
    entries = lock_entries(lock)
    found: dict[tuple[str, str], Message] = {}
    # a version that is locked for other systems or Pythons only is looked at as they would get it
    for tag, version in [
        ("", f"3.{sys.version_info.minor}"),
        *((tag, v) for v in ("3.13", "3.11") for tag in _LOOKED_AT),
    ]:
        wanted = [e for e in lock_entries(locked_for(tag, version)) if (e["name"], e["version"]) not in found]
        if wanted:
            found |= wheel_metadata(work / f"{tag or 'here'}-{version}", wanted, tag, version)
    missing = [f"{e['name']} {e['version']}" for e in entries if (e["name"], e["version"]) not in found]
    if missing:
        raise SystemExit(f"no file could be looked at for {', '.join(missing)}")
    SBOM.write_text(sbom_text(bill_of_materials(lock, found)), encoding="utf-8", newline="\n")
    print(f"{len(entries)} components in {SBOM.relative_to(ROOT)}")
    return 0


def lock_entries(lock: str) -> list[dict[str, Any]]:
    """Return name, version, marker and hashes (SHA-256, sorted) of everything in a lock file, in its order."""
    entries = []
    for text in re.split(r"\n(?=\S)", lock):
        if found := re.match(r"([\w.-]+)==([\w.+!-]+)(?: ; ([^\\]+))?", text):
            hashes = sorted(re.findall(r"--hash=sha256:([0-9a-f]{64})\b", text))
            marker = (found[3] or "").strip()
            entries.append(
                {"name": canonicalize_name(found[1]), "version": found[2], "marker": marker, "hashes": hashes}
            )
    return entries


def wheel_metadata(
    folder: Path, wanted: Sequence[Mapping[str, Any]], tag: str, version: str
) -> dict[tuple[str, str], Message]:
    """Return the metadata of locked files, by name and version, as one computer would get them; hashes are checked."""
    folder.mkdir()
    pinned = folder / "wanted.txt"
    lines = [" ".join([f"{e['name']}=={e['version']}", *(f"--hash=sha256:{h}" for h in e["hashes"])]) for e in wanted]
    pinned.write_text("\n".join(lines) + "\n", encoding="utf-8")
    target = ["--only-binary=:all:"]
    if tag:
        target += ["--python-version", version, "--implementation", "cp"]
        target += [argument for one in older_tags(tag) for argument in ("--platform", one)]
    run(
        sys.executable,
        "-m",
        "pip",
        "download",
        "-q",
        "--no-deps",
        "--require-hashes",
        *target,
        "-d",
        folder,
        "-r",
        pinned,
    )
    found = {}
    for path in sorted(folder.glob("*.whl")):
        name, number, _, _ = parse_wheel_filename(path.name)
        with zipfile.ZipFile(path) as wheel:
            (inside,) = [n for n in wheel.namelist() if re.fullmatch(r"[^/]+\.dist-info/METADATA", n)]
            found[str(name), str(number)] = Parser().parsestr(wheel.read(inside).decode("utf-8"))
    return found


def bill_of_materials(lock: str, metadata: Mapping[tuple[str, str], Message]) -> dict[str, Any]:
    """Return the bill of materials of a lock file as CycloneDX 1.6 has it.

    Args:
        lock: Text of the lock file.
        metadata: Of each component, by name and version.
    """
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    (version,) = re.findall(r'^__version__ = "(.+)"$', (ROOT / "trialcapture/__init__.py").read_text("utf-8"), re.M)
    entries = lock_entries(lock)
    refs: dict[str, list[str]] = {}
    for entry in entries:
        refs.setdefault(entry["name"], []).append(f"pkg:pypi/{entry['name']}@{entry['version']}")
    required = {
        (e["name"], e["version"]): metadata[e["name"], e["version"]].get_all("Requires-Dist", []) for e in entries
    }
    extras = [text for texts in extras_of_users().values() for text in texts]
    asked: dict[str, set[str]] = {}
    for wanted in map(
        Requirement, [*project["dependencies"], *extras, *(t for texts in required.values() for t in texts)]
    ):
        asked.setdefault(canonicalize_name(wanted.name), set()).update(wanted.extras)
    needs = {
        f"pkg:pypi/{name}@{version}": locked_refs(texts, refs, asked.get(name, set()))
        for (name, version), texts in required.items()
    }
    always = reached(locked_refs(project["dependencies"], refs), needs)
    own = f"pkg:pypi/{project['name']}@{version}"
    needs[own] = locked_refs([*project["dependencies"], *extras], refs)
    return {
        "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": own,
                "name": project["name"],
                "version": version,
                "description": project["description"],
                "licenses": [{"license": {"id": "MIT"}}],
                "purl": own,
            },
            "properties": [{"name": "trialcapture:lock-sha256", "value": hashlib.sha256(lock.encode()).hexdigest()}],
        },
        "components": [component(e, metadata[e["name"], e["version"]], always) for e in entries],
        "dependencies": [{"ref": ref, "dependsOn": needs[ref]} for ref in sorted(needs)],
    }


def component(entry: Mapping[str, Any], metadata: Message, always: set[str]) -> dict[str, Any]:
    """Return one component: a locked version, with its files' hashes at where they come from."""
    ref = f"pkg:pypi/{entry['name']}@{entry['version']}"
    hashes = [{"alg": "SHA-256", "content": content} for content in entry["hashes"]]
    made: dict[str, Any] = {
        "type": "library",
        "bom-ref": ref,
        "name": entry["name"],
        "version": entry["version"],
        "description": " ".join((metadata["Summary"] or "").split()),
        "scope": "required" if ref in always else "optional",
        "licenses": licences(metadata),
        "purl": ref,
        "externalReferences": [
            {
                "type": "distribution",
                "url": f"https://pypi.org/project/{entry['name']}/{entry['version']}/#files",
                "hashes": hashes,
            }
        ],
    }
    if entry["marker"]:
        made["properties"] = [{"name": "trialcapture:marker", "value": entry["marker"]}]
    return made


def licences(metadata: Message) -> list[dict[str, Any]]:
    """Return the licence that a component declares: an SPDX expression where it has one, else the words it uses.

    Raises:
        SystemExit: It declares none.
    """
    for field in ("License-Expression", "License"):
        try:
            expression = canonicalize_license_expression(metadata[field] or "")
        except InvalidLicenseExpression:
            continue  # free text, which the older field may hold
        is_id = " " not in expression and not expression.startswith("LicenseRef-")
        return [{"license": {"id": expression}}] if is_id else [{"expression": expression}]
    classifiers = [c for c in metadata.get_all("Classifier", []) if c.startswith("License ::")]
    names = sorted({c.rpartition(" :: ")[2] for c in classifiers} - {"OSI Approved"})
    names = names or [line for line in [(metadata["License"] or "").strip().partition("\n")[0][:80].strip()] if line]
    if not names:
        raise SystemExit(f"{metadata['Name']} {metadata['Version']} declares no licence")
    return [{"license": {"name": name}} for name in names]


def locked_refs(requirements: Iterable[str], refs: Mapping[str, list[str]], asked: Collection[str] = ()) -> list[str]:
    """Return the locked components that requirements name, with what the extras of a component need that are asked."""
    found = set()
    for text in requirements:
        wanted = Requirement(text)
        extras = re.findall(r'extra == "([^"]+)"', str(wanted.marker or ""))
        if not extras or set(extras) & set(asked):
            found |= set(refs.get(canonicalize_name(wanted.name), []))
    return sorted(found)


def reached(start: Iterable[str], needs: Mapping[str, list[str]]) -> set[str]:
    """Return components and all that they need."""
    known: set[str] = set()
    waiting = list(start)
    while waiting:
        if (ref := waiting.pop()) not in known:
            known.add(ref)
            waiting += needs[ref]
    return known


def sbom_text(bill: Mapping[str, Any]) -> str:
    """Return a bill of materials as it is kept."""
    return json.dumps(bill, indent=1, ensure_ascii=False) + "\n"


def gather_wheels(folder: Path, platforms: list[str] | None, version: str) -> int:
    """Fill `folder` with the program's wheel and the locked files of everything it needs."""
    folder.mkdir(parents=True, exist_ok=True)
    pip = [sys.executable, "-m", "pip"]
    run(*pip, "wheel", "-q", "--no-deps", "-w", folder, ROOT)
    target = ["--only-binary=:all:"]
    if platforms:
        target += ["--python-version", version, "--implementation", "cp"]
        target += [argument for tag in platforms for one in older_tags(tag) for argument in ("--platform", one)]
    with tempfile.TemporaryDirectory() as made:
        wanted = Path(made) / "requirements.txt"
        wanted.write_text(locked_for((platforms or [""])[0], version), encoding="utf-8")
        run(*pip, "download", "-q", "--no-deps", "--require-hashes", *target, "-d", folder, "-r", wanted)
    print(f"{len(list(folder.glob('*.whl')))} wheels in {folder}; on the laptop, in that folder's parent:")
    print(f"  python -m pip install --no-index --find-links {folder.name} trialcapture")
    return 0


def locked_for(tag: str, version: str) -> str:
    """Return the locked requirements whose markers hold for a platform, without their markers.

    pip judges markers by the computer it runs on, also when it downloads for another one.

    Args:
        tag: Platform tag, "" for this computer.
        version: Version of Python, such as "3.12".
    """
    environment = {"python_version": version, "python_full_version": f"{version}.0"}
    if tag:
        family = re.split("[_0-9]", tag)[0]
        if family not in _SYSTEMS:
            raise SystemExit(f"--platform {tag} is no platform tag; win_amd64, macosx_14_0_arm64 are such")
        system, name, kind = _SYSTEMS[family]
        machine = "AMD64" if tag == "win_amd64" else "arm64" if tag.endswith("arm64") else tag.rpartition("_")[2]
        machine = "x86_64" if tag.endswith("x86_64") else machine
        environment |= {"sys_platform": system, "os_name": name, "platform_system": kind, "platform_machine": machine}
        environment |= {"implementation_name": "cpython", "platform_python_implementation": "CPython"}
    elif version != f"3.{sys.version_info.minor}":
        raise SystemExit(f"--python {version} needs --platform; this is Python {platform.python_version()}")
    kept = []
    for entry in re.split(r"\n(?=\S)", LOCK.read_text(encoding="utf-8")):
        if entry.startswith("#"):
            continue
        named, marked, rest = re.match(r"([^;\\\s]+)(?:\s*;\s*([^\\]*?))?(\s*\\.*)", entry, re.DOTALL).groups()
        if marked is None or Marker(marked).evaluate(environment):
            kept.append(f"{named}{rest}")
    return "\n".join(kept) + "\n"


def older_tags(tag: str) -> list[str]:
    """Return a platform tag and those whose files run there too; pip knows them for macOS and for no other."""
    found = re.fullmatch(r"manylinux_2_(\d+)_(\w+)", tag)
    if not found:
        return [tag]
    libc, machine = int(found[1]), found[2]
    named = [f"manylinux2014_{machine}"] if libc >= 17 else []
    return [*(f"manylinux_2_{n}_{machine}" for n in range(libc, 4, -1)), *named]


def make_venv(folder: Path) -> Path:
    """Make a virtual environment and return its Python."""
    venv.create(folder, with_pip=True, clear=True)
    return folder / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")


def run(*command: str | Path, cwd: Path | None = None) -> str:
    """Run a command, stop with its output where it fails, and return what it printed."""
    # nothing that was processed before may be used again
    environment = {**os.environ, "TRIALCAPTURE_CACHE": str(Path(cwd or tempfile.gettempdir()) / "no-cache")}
    print("+", " ".join(str(part) for part in command if "\n" not in str(part)), flush=True)
    done = subprocess.run(
        [str(part) for part in command], cwd=cwd, env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise SystemExit(f"{done.stdout[-4000:]}{done.stderr[-4000:]}\nended with {done.returncode}")
    return done.stdout


if __name__ == "__main__":
    sys.exit(main())
