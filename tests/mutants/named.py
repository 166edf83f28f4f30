"""Mutants made by hand: each takes away one decision. They are found by code, so that moved lines do not matter.

``where`` is a package or module under ``trialcapture/`` and a function in it, whichever file of the package that is in.
``before`` is an expression or statement that occurs there once; formatting and comments do not count. A mutant whose
function or code is not found exactly once is an error, not a skip.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.changing import Mutant, read_source


@dataclass(frozen=True, slots=True)
class Change:
    """A mutant as it is written down.

    Attributes:
        decision: What it takes away.
        where: ``package:function`` or ``package:Class.method``; ``package:`` for the top level of its modules.
        before: Code that occurs there once.
        after: What is put in its place.
        tests: Test files that are run first.
    """

    decision: str
    where: str
    before: str
    after: str
    tests: tuple[str, ...] = ()


CRITERIA = "tests/prepare/test_limits.py"
HOLDS = "tests/prepare/test_ends_of_holds.py"
MARKS = "tests/prepare/test_marks_and_steps.py"
TERMS = "tests/reduce/test_budget_terms.py"
VERDICTS = "tests/reduce/test_verdicts.py"
DISK = "tests/archive/test_safe_files.py"
READY = "tests/acquire/test_alarms.py"


class AnchorError(LookupError):
    """A mutant's function or code is not found, or more than once."""


def find_change(change: Change, root: Path) -> Mutant:
    """Return the change as bytes of the file it is in.

    Raises:
        AnchorError: Its function or its code is not there exactly once.
    """
    package, function = change.where.split(":")
    place = root / "trialcapture" / package
    files = sorted(place.rglob("*.py")) if place.is_dir() else [place.with_suffix(".py")]
    found = []
    for file in files:
        source = read_source(root, file.relative_to(root).as_posix())
        for scope in _scopes(source.tree, function):
            found += [(source, node) for node in _matches(scope, change.before)]
    if len(found) != 1:
        raise AnchorError(f"{change.where}: {change.before!r} is found {len(found)} times ({change.decision})")
    source, node = found[0]
    return source.mutant(node, change.after, change.decision, decision=change.decision, tests=change.tests)


def _scopes(tree: ast.Module, function: str) -> list[ast.AST]:
    if not function:
        return [s for s in tree.body if isinstance(s, (ast.Assign, ast.AnnAssign))]
    scopes: list[ast.AST] = [tree]
    for name in function.split("."):
        kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
        scopes = [n for s in scopes for n in ast.iter_child_nodes(s) if isinstance(n, kinds) and n.name == name]
    return scopes


def _matches(scope: ast.AST, code: str) -> list[ast.expr | ast.stmt]:
    [wanted] = ast.parse(code).body
    if isinstance(wanted, ast.Expr):
        shape = ast.dump(wanted.value)
        return [n for n in ast.walk(scope) if isinstance(n, ast.expr) and ast.dump(n) == shape]
    shape = ast.dump(wanted)
    return [n for n in ast.walk(scope) if isinstance(n, ast.stmt) and ast.dump(n) == shape]


def named_mutants(root: Path) -> list[Mutant]:
    """Return all mutants made by hand.

    Raises:
        AnchorError: One of them is not found.
    """
    return [find_change(change, root) for change in CHANGES]


CHANGES: tuple[Change, ...] = (
    # steady stretches: what is measured at all
    Change(
        "a turn inside a stretch is not looked for",
        "prepare/steady:find_violation",
        "abs(turned) > steady.turn_deg",
        "False",
        (CRITERIA,),
    ),
    Change(
        "a yawing course is not refused",
        "prepare/steady:find_violation",
        "yaw > steady.heading_sd_deg",
        "False",
        (CRITERIA,),
    ),
    Change(
        "a wide spread of speed is not refused",
        "prepare/steady:find_violation",
        "spread > limits.sog_sd_kn",
        "False",
        (CRITERIA,),
    ),
    Change(
        "a wide spread of rpm is not refused",
        "prepare/steady:_rpm_violation",
        "spread_pct > steady.rpm_sd_pct and spread > _STILL_RPM",
        "False",
        (CRITERIA,),
    ),
    Change(
        "creeping rpm is not refused",
        "prepare/steady:_rpm_violation",
        "abs(per_min) > steady.rpm_slope_pct_per_min / 100.0 * mean and run_pct > steady.rpm_sd_pct",
        "False",
        (CRITERIA,),
    ),
    Change(
        "a slope of speed needs no three sigma",
        "prepare/steady:drifts",
        "abs(slope) > _SLOPE_ERRORS * slope_with_error(v_kn, dt_s)[1]",
        "True",
        (CRITERIA,),
    ),
    Change(
        "a change of half a knot over a stretch passes in a rough sea",
        "prepare/steady:drifts",
        "beyond and run_kn > _LARGE_RUN_KN",
        "False",
        (CRITERIA,),
    ),
    Change(
        "the error of a slope forgets the memory of the sea",
        "prepare/steady:slope_with_error",
        "max(autocorrelation_sum([rest], max(v.size // 3, 1), own_mean=False), MEMORY_S / dt_s)",
        "1.0",
        (CRITERIA,),
    ),
    Change(
        "no lead at the end of a course hold",
        "prepare/steady:_before_the_helm",
        "b - round((lead_s - LEAD_S) / track.dt_s)",
        "b",
        (HOLDS,),
    ),
    Change(
        "a course over ground gets the lead of a heading",
        "prepare/steady:_before_the_helm",
        "lead_s = _COURSE_LEAD_S",
        "pass",
        (HOLDS,),
    ),
    Change(
        "no lead at the end of a hold",
        "prepare/steady:apply_criteria",
        "stop - round(LEAD_S / dt_s)",
        "stop",
        (HOLDS,),
    ),
    Change(
        "the least duration is a second shorter",
        "prepare/steady:apply_criteria",
        "(b - a - settled) * dt_s < need_s",
        "(b - a - settled) * dt_s < need_s - 1.0",
        (HOLDS,),
    ),
    Change(
        "a boat lying still is measured",
        "prepare/steady:lies_still",
        "speed_kn >= limits.steady.min_sog_kn",
        "True",
        (HOLDS,),
    ),
    Change(
        "the F test of an approach takes its samples for independent",
        "prepare/steady:_is_real",
        "max(autocorrelation_sum([rest - rest.mean()], max(v.size // 3, 1), own_mean=False), memory_s / dt_s)",
        "1.0",
        (HOLDS,),
    ),
    # clocks
    Change(
        "an engine log's clock that was set back is not split",
        "prepare/clocks:find_cuts",
        "np.flatnonzero(is_back | (excess > slack))",
        "np.flatnonzero(excess > slack)",
    ),
    Change(
        "a log whose clock was set back is matched as one run",
        "prepare/clocks:_longest_run",
        "(step > _PAUSE_NS) | (step < -_SET_BACK_NS)",
        "step > _PAUSE_NS",
        (MARKS,),
    ),
    Change(
        "a set-back too small for the usual pace is not split",
        "prepare/clocks:find_cuts",
        "step < -0.6",
        "step < -1e9",
    ),
    Change(
        "the computer's clock set back folds a journal",
        "prepare/clocks:monotone_axis",
        "step < -SET_BACK_NS",
        "step < -10**15",
    ),
    Change(
        "a mark's time moves by the receiver's latency the wrong way",
        "prepare:_wall_to_utc",
        "int(times[i]) + late_ns + w - int(stamps[i])",
        "int(times[i]) - late_ns + w - int(stamps[i])",
        (MARKS,),
    ),
    # the uncertainty budget: every term
    Change(
        "an outlying run costs nothing",
        "reduce:speed_budget",
        "moved / 2.0",
        "0.0 * moved",
        (TERMS,),
    ),
    Change(
        "the receiver's own bias is left out",
        "reduce:speed_budget",
        "np.array([bias[m].mean() for m in members])",
        "np.zeros(n_bands)",
        (TERMS,),
    ),
    Change(
        "the clocks' uncertainty is left out",
        "reduce:speed_budget",
        "np.array([_worst_clock_s(clocks, legs, m) * slope[m].mean() for m in members])",
        "np.zeros(n_bands)",
        (TERMS,),
    ),
    Change(
        "a current abeam is thought to be seen without a heading",
        "reduce:speed_budget",
        "_sees_no_current_abeam(runs, line_heading_deg)",
        "False",
        (TERMS,),
    ),
    Change(
        "rounding that runs have in common averages out",
        "reduce:rounding_in_mean",
        "np.abs(at[:, None] - at[None, :]) <= np.sqrt(3.0) * np.maximum(own[:, None], own[None, :])",
        "np.eye(at.size, dtype=bool)",
        (TERMS,),
    ),
    Change(
        "an uncalibrated fuel meter is taken for exact",
        "reduce:reduce_fuel",
        "factor * rate * calibration_pct / 100.0",
        "0.0 * rate",
        (TERMS,),
    ),
    Change(
        "wind along a band run one way costs no fuel",
        "reduce:reduce_fuel",
        "factor * np.abs(rate * np.sum(known * by_way, axis=1))",
        "0.0 * rate",
        (TERMS,),
    ),
    Change(
        "a refused run back puts nothing in doubt",
        "reduce:refused_return_u_kn",
        "not np.isfinite(found).any()",
        "True",
        (TERMS,),
    ),
    Change(
        "a doubt has no upper bound",
        "reduce:refused_return_u_kn",
        "np.minimum(doubt, UNKNOWN_CURRENT_KN)",
        "doubt",
        (TERMS,),
    ),
    # what is printed and flagged
    Change(
        "97 % of rated rpm counts as reached",
        "reduce:_verdict",
        "pct >= RATED_REACHED_PCT",
        "pct >= 97.0",
        (VERDICTS,),
    ),
    Change(
        "above rated rpm is not told",
        "reduce:_verdict",
        "pct > 103.0",
        "False",
        (VERDICTS,),
    ),
    Change(
        "a full load at low rpm is not told",
        "reduce:_verdict",
        "load_pct >= 95.0",
        "False",
        (VERDICTS,),
    ),
    Change(
        "a band's name is not rounded to 50 rpm",
        "reduce:_nominal",
        "abs(mean - round_rpm) <= NOMINAL_PCT / 100.0 * mean",
        "False",
        (VERDICTS,),
    ),
    Change(
        "a band's name keeps single revolutions",
        "reduce:_nominal",
        "10.0 * round(mean / 10.0)",
        "mean",
        (VERDICTS,),
    ),
    Change(
        "shallow water is not flagged",
        "reduce:condition_flags",
        "np.isfinite(depth).any() and np.nanmin(depth) < needed",
        "False",
        (VERDICTS,),
    ),
    Change(
        "wind past a gentle breeze is not flagged",
        "reduce:condition_flags",
        "np.isfinite(wind).any() and beaufort_force(float(np.nanmax(wind))) > GENTLE_BREEZE",
        "False",
        (VERDICTS,),
    ),
    Change(
        "engines that turn at different speeds are not flagged",
        "reduce:condition_flags",
        'if rpm > RPM_SPLIT_PCT:\n    flags.append("engines-differ")',
        "pass",
        (VERDICTS,),
    ),
    Change(
        "a late run back passes for one in time",
        "reduce:_reduce",
        "np.all(gaps <= settings.reciprocal_max_gap_min)",
        "True",
        (VERDICTS,),
    ),
    # what was received
    Change(
        "a fast packet waits for ever",
        "decode/can:FastPackets.feed",
        "stamp_ns - message.last_ns > message.pause_ns",
        "False",
        ("tests/decode/test_can.py",),
    ),
    Change(
        "a transport session waits for ever",
        "decode/can:Transport.feed",
        "stamp_ns - message.last_ns > message.pause_ns",
        "False",
        ("tests/decode/test_can.py",),
    ),
    # what is on the disk
    Change(
        "a file is renamed before it is on the disk",
        "archive:open_replacement",
        "sync_file(file.fileno())",
        "file.fileno()",
        (DISK,),
    ),
    Change(
        "a rename is not made safe",
        "system:sync_folder",
        "os.fsync(handle)",
        "None",
        (DISK,),
    ),
    Change(
        "an event is not made safe",
        "acquire:AppendFile.append_safely",
        "sync_file(self._file.fileno())",
        "self._file.fileno()",
        (DISK,),
    ),
    Change(
        "the journals are never made safe",
        "acquire:RawFiles.sync",
        "file.sync(self._sync)",
        "file",
        (DISK,),
    ),
    Change(
        "the end of a torn line is not made safe",
        "acquire:mend_torn_end",
        "sync_file(file.fileno())",
        "file.fileno()",
        (DISK,),
    ),
    Change(
        "a written file is not read back",
        "archive:write_file",
        "not is_same",
        "False",
        (DISK,),
    ),
    Change(
        "a written Parquet file is not read back",
        "archive:open_parquet",
        "rows != taken_rows or not found.equals(schema, check_metadata=True)",
        "False",
        (DISK,),
    ),
    Change(
        "another run's work folder is deleted",
        "archive:open_run_folder",
        "time.time() - old.stat().st_mtime > _ABANDONED_S and not (old / MOVE_LIST).exists()",
        "True",
        (DISK,),
    ),
    Change(
        "a killed run's work folder stays for ever",
        "archive:open_run_folder",
        "time.time() - old.stat().st_mtime > _ABANDONED_S and not (old / MOVE_LIST).exists()",
        "False",
        (DISK,),
    ),
    # before and while recording
    Change(
        "preflight asks for no margin on the disk",
        "acquire:computer_checks",
        "rate * 2 * _TRIAL_H * 3600 * _MARGIN",
        "rate * 2 * _TRIAL_H * 3600",
        (READY,),
    ),
    Change(
        "preflight is content with an almost full disk",
        "acquire:computer_checks",
        "max(needed, 500_000_000)",
        "needed",
        (READY,),
    ),
    Change(
        "a slow disk raises no alarm",
        "acquire:_disk_alarms",
        "disk.waiting_share > 0.5 and not disk.fault",
        "False",
        (READY,),
    ),
    Change(
        "a nearly full disk raises no alarm",
        "acquire:_disk_alarms",
        "disk.free_bytes < _LOW_BYTES",
        "False",
        (READY,),
    ),
    Change(
        "a source that is silent for long is only yellow",
        "acquire:_silence_alarms",
        "silent_s > ALARM_SILENCE_S",
        "False",
        (READY,),
    ),
)
