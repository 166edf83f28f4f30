"""One settings file is checked whole: every fault is named at once, with key path, value seen and what is allowed."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.config import (
    Config,
    EngineLog,
    config_hash,
    load_config,
    log_channel,
    parse_zone,
    read_config,
    read_walk_round,
)
from trialcapture.errors import ConfigError, TrialCaptureError
from trialcapture.units import dimension

SOUND = """
[boat]
name = "Grey Ptarmigan"
lightship_lb = 44092.45243697551
[fuel]
capacity_us_gal = 500
density_kg_per_m3 = 840
[[load.tanks]]
capacity_l = 400
fraction = 0.5
density = 1000
[[engine]]
id = "port"
rated_rpm = 2300
[[engine]]
id = "stbd"
rated_rpm = 2300
[bands]
steps_rpm = [800, 1200, 1600]
[[source]]
id = "gps1"
kind = "udp"
port = 10110
[[engine_log]]
files = "port*.csv"
time_format = "%d.%m.%Y %H:%M:%S"
timezone = "Europe/Athens"
delimiter = "\\t"
columns = { time = "Time", rpm_port = { name = "RPM", unit = "1/min" }, fuel_port = { name = "Fuel", unit = "kg/h" } }
[[xdr]]
name = "PITCH"
channel = "pitch_deg"
"""


def faults_of(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load_config(text, "boat.toml")
    assert caught.value.where == "boat.toml"
    return caught.value.faults


def fault_of(text: str) -> str:
    (fault,) = faults_of(text)
    return fault


def test_a_sound_file_is_read_and_other_units_are_converted() -> None:
    config = load_config(SOUND)
    assert config.boat.lightship_kg == pytest.approx(20_000, abs=1e-9)
    assert config.fuel.capacity_l == 500 * 3.785411784
    assert config.load.tanks[0].density_kg_per_m3 == 1000
    assert config.engine_ids == ("port", "stbd")
    assert config.engine_log[0].delimiter == "\t"
    assert config.engine_log[0].zone.utcoffset(None) is None
    assert not config.bands.is_automatic
    assert Config().bands.is_automatic
    assert (Config().sog_sd_kn, load_config("[boat]\nplaning = false").sog_sd_kn) == (0.4, 0.3)


def test_an_empty_file_is_all_defaults() -> None:
    assert load_config("") == Config()


def test_six_faults_of_six_kinds_are_listed_in_one_run() -> None:
    text = """
    [boat]
    lenght_m = 12
    [fuel]
    reserve_fraction = 10
    [[engine]]
    id = "port"
    rated_rpm = "2300"
    [[engine]]
    id = "port"
    rated_rpm = 2300
    [bands]
    steps_rpm = [1200, 800]
    [[engine_log]]
    timezone = "Athens"
    columns = { time = "Time", rpm_centre = { name = "RPM", unit = "rpm" } }
    """
    faults = faults_of(text)
    expected = [
        ("boat.lenght_m", "no such key; did you mean length_m?"),
        ("fuel.reserve_fraction", "saw 10; must be less than 1"),
        ("engine[0].rated_rpm", "saw '2300'; must be a number"),
        ("engine[1].id", "saw 'port'; engine[0] has the same"),
        ("bands.steps_rpm", "saw [1200, 800]; must ascend"),
        ("engine_log[0].timezone", "did you mean Europe/Athens?"),
        ("engine_log[0].columns.rpm_centre", "no such channel"),
    ]
    assert len(faults) == len(expected)
    for path, said in expected:
        (line,) = [fault for fault in faults if fault.startswith(f"{path}:")]
        assert said in line


@pytest.mark.parametrize(
    ("text", "path", "said"),
    [
        ("[boat]\nname = 7", "boat.name", "saw 7; must be text in quotes"),
        ("[boat]\nplaning = 1", "boat.planing", "saw 1; must be true or false"),
        ("[boat]\nlength_m = true", "boat.length_m", "saw true; must be a number"),
        ("[boat]\nlength_m = inf", "boat.length_m", "saw inf; must be a number"),
        ("[boat]\nlength_m = nan", "boat.length_m", "must be a number"),
        ("[boat]\nlightship_lb = -4", "boat.lightship_lb", "saw -4; must be greater than 0"),
        ('[boat]\nlightship_lb = "4"', "boat.lightship_lb", "saw '4'; must be a number"),
        ("[boat]\nlength_m = 1\nlength_ft = 3", "boat.length_m", "given as length_ft too"),
        ("boat = 3", "boat", "saw 3; must be a table"),
        ("engine = 3", "engine", "must be a list"),
        ("[engine]\nid = 'a'", "engine", "must be a list"),
        ("[nonsense]", "nonsense", "no such key"),
        ("[load]\npersons = 2.5", "load.persons", "saw 2.5; must be a whole number"),
        ("[[load.tanks]]\ncapacity_l=1\nfraction=1.5\ndensity=1000", "load.tanks[0].fraction", "must be at most 1"),
        ("[[load.tanks]]\ncapacity_l=1\nfraction=1\ndensity=1", "load.tanks[0].density", "must be at least 600"),
        ("[fuel.calibration]\nfactor = 1.0", "fuel.calibration.origin", "missing, and there is no default"),
        ("[[engine]]\nrated_rpm=1000", "engine[0].id", "missing"),
        ("[[engine]]\nid='Port'\nrated_rpm=1000", "engine[0].id", "lower-case letters and digits"),
        ("[[engine]]\nid='a'\nrated_rpm=500", "engine[0].idle_rpm", "saw 600; must be below rated_rpm, which is 500"),
        ("[bands]\nautomatic=false", "bands.automatic", "needs steps_rpm"),
        ("[bands]\nsteps_rpm=[1000,1100]\nhalf_width_rpm=60", "bands.half_width_rpm", "must be at most 50"),
        ("[bands]\nsteps_rpm=[1000,'x']", "bands.steps_rpm[1]", "saw 'x'; must be a number"),
        ("[samples]\nmax_gap_s={wind=3}", "samples.max_gap_s", "no such group: wind; groups are position"),
        ("[trial]\nwater='salt'", "trial.water", "one of 'sea', 'fresh' or 'brackish'"),
        ("[[source]]\nid='a'\nkind='tcp'\nport=1", "source[0].host", "a source of kind 'tcp' needs it"),
        ("[[source]]\nid='a'\nkind='serial'", "source[0].port", "needs it"),
        ("[[source]]\nid='a'\nkind='serial'\nport=3", "source[0].port", "name of a port"),
        ("[[source]]\nid='a'\nkind='udp'\nport=70000", "source[0].port", "from 1 to 65535"),
        ("[[source]]\nid='a b'\nkind='udp'\nport=1", "source[0].id", "letters, digits"),
        ("[[source]]\nid='a'\nkind='udp'\nport=1.5", "source[0].port", "a whole number or text in quotes"),
        ("[[source]]\nid='a'\nkind='usb'", "source[0].kind", "one of 'serial'"),
        ("[[source]]\nid='a'\nkind='serial'\nport='x'\nbaud=1234", "source[0].baud", "one of 4800"),
        ("[[xdr]]\nname='P'\nchannel='picth_deg'", "xdr[0].channel", "did you mean pitch_deg?"),
        ("[[xdr]]\nname='P'\nchannel='rpm_port'", "xdr[0].channel", "must be one of lat_deg"),
    ],
)  # fmt: skip
def test_each_fault_names_key_value_and_what_is_allowed(text: str, path: str, said: str) -> None:
    fault = fault_of(text)
    assert fault.startswith(f"{path}: ")
    assert said in fault


@pytest.mark.parametrize(
    ("log", "path", "said"),
    [
        ("columns = {}", "columns.time", "missing"),
        ("", "columns", "missing"),
        ("columns = { time = 'T' }", "columns", "must map one channel at least"),
        (
            "columns = { time = {name='T', unit='s'}, rpm_port = {name='R', unit='rpm'} }",
            "columns.time",
            "a time has no unit",
        ),
        ("columns = { time = 'T', rpm_port = 'R' }", "columns.rpm_port", 'must declare its unit: { name = "R"'),
        ("columns = { time = 'T', rpm_port = 3 }", "columns.rpm_port", "must be a table"),
        ("columns = { time = 'T', rpm_port = {name='R'} }", "columns.rpm_port.unit", "missing"),
        (
            "columns = { time = 'T', rpm_port = {name='R', unit='gal/h'} }",
            "columns.rpm_port.unit",
            "gallon must say which",
        ),
        ("columns = { time = 'T', rpm_port = {name='R', unit='xx'} }", "columns.rpm_port.unit", "use one of"),
        ("columns = { time = 'T', rpm_port = {name='R', unit='l/h'} }", "columns.rpm_port.unit", "must be a rotation"),
        (
            "columns = { time = 'T', fuel_port = {name='R', unit='kg/h'} }",
            "columns.fuel_port.unit",
            "fuel.density_kg_per_m3",
        ),
        ("columns = { time = 'T', rmp_port = {name='R', unit='rpm'} }", "columns.rmp_port", "did you mean rpm_port?"),
        ("columns = { time = 'T', rpm_stbd = {name='R', unit='rpm'} }", "columns.rpm_stbd", "engine ids are port"),
        (
            "columns = { time='T', load_port={name='A', unit='%'}, load_pct_port={name='B', unit='%'} }",
            "columns.load_pct_port",
            "mapped twice",
        ),
        ("time_format = '%H:%M:%S'\nCOLUMNS", "time_format", "lacks the day"),
        ("time_format = '%d.%m. %H:%M:%S'\nCOLUMNS", "time_format", "lacks the day, the month or the year"),
        ("time_format = '%d.%m.%Y %I:%M:%S'\nCOLUMNS", "time_format", "lacks the hour"),
        ("time_format = '%d.%m.%Y'\nCOLUMNS", "time_format", "lacks the hour"),
        ("time_format = 'ISO8601'\nCOLUMNS", "time_format", "unix_s"),
        ("time_format = '%Y-%m-%d %H:%M %Q'\nCOLUMNS", "time_format", "no pattern"),
        ("time_format = '%Y-%m-%d %H:%M %Z'\nCOLUMNS", "time_format", "differs from computer to computer"),
        ("timezone = 'CEST'\nCOLUMNS", "timezone", "must be an IANA zone"),
        ("timezone = '../../etc/passwd'\nCOLUMNS", "timezone", "must be an IANA zone"),
        ("timezone = 'Europe'\nCOLUMNS", "timezone", "must be an IANA zone"),
        ("timezone = '+25:00'\nCOLUMNS", "timezone", "between -14:00 and +14:00"),
        ("delimiter = ''\nCOLUMNS", "delimiter", "must be one character"),
        ("delimiter = ';;'\nCOLUMNS", "delimiter", "must be one character"),
        ("delimiter = 3\nCOLUMNS", "delimiter", "text in quotes"),
        ("decimal = ';'\nCOLUMNS", "decimal", "one of '.' or ','"),
        ("encoding = 'utf-9'\nCOLUMNS", "encoding", "text encoding"),
        ("encoding = 'base64'\nCOLUMNS", "encoding", "text encoding"),
        ("encoding = 'idna'\nCOLUMNS", "encoding", "text encoding"),
        ("encoding = 'unicode_escape'\nCOLUMNS", "encoding", "text encoding"),
        ("encoding = 'utf-7'\nCOLUMNS", "encoding", "text encoding"),
        ('encoding = "a\\u0000b"\nCOLUMNS', "encoding", "text encoding"),
        ("files = ['a', 3]\nCOLUMNS", "files[1]", "text in quotes"),
        ("files = 3\nCOLUMNS", "files", "text in quotes or a list"),
        ("header_rows = 0\nCOLUMNS", "header_rows", "must be at least 1"),
        ("header_rows = -1\nCOLUMNS", "header_rows", "must be at least 0"),
        ("date = '14.05.2026'\ntime_format = '%H:%M:%S'\nCOLUMNS", "date", "year first"),
        ("date = '2026-02-30'\nCOLUMNS", "date", "must be the day"),
        ("date = 2026-05-14T10:00:00\nCOLUMNS", "date", "text in quotes"),
        ("date = '2026-05-14'\ntime_format = '%d/%m/%Y %H:%M'\nCOLUMNS", "time_format", "has a day"),
        ("date = '2026-05-14'\ntime_format = 'unix_s'\nCOLUMNS", "date", "counts from a moment"),
        ("date = '2026-05-14'\nyear = 2026\ntime_format = '%H:%M'\nCOLUMNS", "year", "leave one of them out"),
        ("year = 26\ntime_format = '%d.%m. %H:%M'\nCOLUMNS", "year", "must be at least 1970"),
        ("year = 2026\nCOLUMNS", "year", "must stand with a pattern"),
        ("year = 2026\ntime_format = '%d.%m.%Y %H:%M'\nCOLUMNS", "time_format", "has a year"),
        ("year = 2026\ntime_format = '%H:%M'\nCOLUMNS", "time_format", "lacks the day"),
        ("locale = 'klingon'\nCOLUMNS", "locale", "must be a language"),
        ("locale = 'fr'\ntime_format = '%d %b %Y %H:%M %z'\nCOLUMNS", "locale", "may not have %z"),
        ("thousands = ';'\nCOLUMNS", "thousands", "one of"),
        ("thousands = '.'\nCOLUMNS", "thousands", "another than decimal"),
        ("sheet = ''\nCOLUMNS", "sheet", "text of 1 characters"),
        ("form = 'tall'\nCOLUMNS", "form", "'wide' or 'long'"),
        ("form = 'long'\nvalue = 'v'\nCOLUMNS", "parameter", "needs the heading"),
        ("parameter = 'p'\nCOLUMNS", "parameter", "belongs to form = 'long'"),
        (
            "form = 'long'\nparameter = 'p'\nvalue = 'v'\ncolumns = { time = 'T', rpm_port = {name='a', unit='rpm'}, "
            "fuel_port = {name='a', unit='l/h'} }",
            "columns.fuel_port.name",
            "rpm_port has the same",
        ),
        (
            "form = 'long'\nparameter = 'p'\nvalue = 'v'\ncolumns = { time = 'T', rpm_port = {name=2, unit='rpm'} }",
            "columns.rpm_port.name",
            "the name that stands in the parameter column",
        ),
        ("columns = { time = ['Y','M'], rpm_port = {name='R', unit='rpm'} }", "columns.time", "saw 2 columns"),
        (
            "time_format = '%d/%m/%Y %H:%M'\ncolumns = { time = ['Y','M','D','h','m','s'], rpm_port = "
            "{name='R', unit='rpm'} }",
            "time_format",
            "six columns have no format",
        ),
        ("columns = { time = 0, rpm_port = {name='R', unit='rpm'} }", "columns.time", "at least 1"),
        ("columns = { time = 'T', rpm_port = {name=0, unit='rpm'} }", "columns.rpm_port.name", "at least 1"),
        ("columns = { time = 'T', rpm_port = {name='R', unit='rpm', scale=0.0} }", "columns.rpm_port.scale", "zero"),
        ("columns = { time = 'T', rpm_port = {name='R', unit='rpm', scale=inf} }", "columns.rpm_port.scale", "number"),
        (
            "columns = { time = 'T', rpm_port = {name='R', unit='rpm', offset=1e308} }",
            "columns.rpm_port.offset",
            "must be at most",
        ),
        ("clock = { method = 'fixed', offset_s = 1e308 }\nCOLUMNS", "clock.offset_s", "must be at most"),
        ("clock = { method = 'fixed' }\nCOLUMNS", "clock.offset_s", "needs it"),
        ("clock = { method = 'guess' }\nCOLUMNS", "clock.method", "one of 'auto'"),
    ],
)
def test_each_fault_of_an_engine_log_table_is_named(log: str, path: str, said: str) -> None:
    columns = "columns = { time = 'T', rpm_port = { name = 'R', unit = 'rpm' } }"
    fault = fault_of("[[engine]]\nid='port'\nrated_rpm=2000\n[[engine_log]]\n" + log.replace("COLUMNS", columns))
    assert fault.startswith(f"engine_log[0].{path}: ")
    assert said in fault


def test_two_tables_for_the_same_files_are_a_fault() -> None:
    table = "[[engine_log]]\ncolumns = { time = 'T', rpm_a = { name = 'R', unit = 'rpm' } }\n"
    assert "engine_log[0] has the same" in fault_of("[[engine]]\nid='a'\nrated_rpm=2000\n" + table * 2)


def test_ids_that_differ_by_case_alone_are_one_on_some_disks_and_in_databases() -> None:
    source = '[[source]]\nid = "{}"\nkind = "udp"\nport = {}\n'
    assert "source[0] has the same" in fault_of(source.format("GPS", 10110) + source.format("gps", 10111))
    tables = [f'[[engine_log]]\nfiles = "{name}"\ncolumns = {{ time = "t", rpm_a = {{ name = "r", unit = "rpm" }} }}\n'
              for name in ("Port*.csv", "port*.CSV")]  # fmt: skip
    assert "engine_log[0] has the same" in fault_of("[[engine]]\nid='a'\nrated_rpm=2000\n" + "".join(tables))


def test_one_missing_id_does_not_make_its_columns_unknown() -> None:
    text = "[[engine]]\nrated_rpm=2000\n[[engine_log]]\ncolumns = { time='T', rpm_a = { name='R', unit='rpm' } }"
    assert fault_of(text).startswith("engine[0].id: missing")


def test_no_fault_speaks_the_language_of_the_library() -> None:
    text = "\n".join(
        [
            "boat = []",
            "fuel = 'x'",
            "engine = [3, {}]",
            "source = [{}]",
            "engine_log = [{columns = 3}, 4]",
            "load = {tanks = [{}]}",
        ]
    )
    for fault in faults_of(text):
        assert not any(word in fault for word in ("Input", "input", "valid ", "pydantic", "instance", "dictionary"))


def test_what_is_not_toml_says_where() -> None:
    assert "line 2" in fault_of("[boat]\nname = \n")


@pytest.mark.parametrize(
    ("text", "hours"), [("UTC", 0), ("Z", 0), ("+02:00", 2), ("-0530", -5.5), ("UTC+3", 3), ("GMT-1", -1), ("+14", 14)]
)
def test_offsets(text: str, hours: float) -> None:
    assert parse_zone(text).utcoffset(None) == timedelta(hours=hours)


def test_column_keys_name_quantity_and_engine() -> None:
    assert log_channel("fuel_l_per_h_port", ("port", "stbd")) == ("fuel_l_per_h", "l/h", "port")
    assert log_channel("oil_stbd", ("port", "stbd")) == ("oil_bar", "bar", "stbd")
    assert log_channel("rpm_bow", ("port", "stbd")) is None
    assert log_channel("rpm", ("port",)) is None


def test_files_are_read_with_their_text(tmp_path: Path) -> None:
    path = tmp_path / "boat.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SOUND.encode())
    config, text = read_config(path)
    assert config == load_config(SOUND)
    assert text == SOUND
    for content, said in ((b"\xff\xfeb\x00", "no UTF-8 text"), (None, "cannot be read")):
        if content is None:
            path.unlink()
        else:
            path.write_bytes(content)
        with pytest.raises(TrialCaptureError, match=said):
            read_config(path)
    with pytest.raises(TrialCaptureError, match="a folder"):
        read_config(tmp_path)


def test_a_session_table_is_left_alone() -> None:
    assert load_config('[session]\nid = "x"\n' + SOUND) == load_config(SOUND)


def test_equal_settings_have_equal_hashes_and_others_have_not() -> None:
    one = load_config(SOUND)
    assert config_hash(one) == config_hash(load_config(SOUND + "\n# a comment\n[steady]\nmin_duration_s = 30\n"))
    assert config_hash(one) != config_hash(load_config(SOUND + "[steady]\nmin_duration_s = 31\n"))


def test_settings_cannot_be_changed_afterwards() -> None:
    with pytest.raises(ValueError, match="frozen"):
        load_config(SOUND).boat.name = "other"  # type: ignore[misc]


CHECKLIST = Path(__file__).parents[1] / "configs" / "walk_round.toml"
CONFIGS = sorted(path for path in CHECKLIST.parent.glob("*.toml") if path != CHECKLIST)


@pytest.mark.parametrize("path", CONFIGS, ids=lambda p: p.name)
def test_the_configurations_we_ship_are_sound(path: Path) -> None:
    read_config(path)


VALUE = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**6), 10**6) | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)
SECTIONS = [type(getattr(Config(), name)) for name in ("boat", "fuel", "load", "bands", "steady")]
KEYS = sorted(
    {*Config.model_fields, *EngineLog.model_fields, "lightship_lb", "id", "kind", "port", "time"}
    | {key for section in SECTIONS for key in section.model_fields}
)
TABLE = st.dictionaries(st.sampled_from(KEYS), VALUE, max_size=4)


def toml_ready(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: toml_ready(v) for k, v in value.items() if v is not None}
    if isinstance(value, list):
        return [toml_ready(v) for v in value if v is not None]
    return value


@settings(max_examples=200)
@given(st.dictionaries(st.sampled_from(KEYS), VALUE | TABLE | st.lists(TABLE, max_size=3), max_size=5))
def test_any_toml_gives_settings_or_a_list_of_faults(data: dict[str, Any]) -> None:
    faults = ["a: sound"]
    try:
        load_config(tomli_w.dumps(toml_ready(data)))
    except ConfigError as fault:
        faults = fault.faults
    assert faults
    assert all(": " in line and "\n" not in line for line in faults)


def test_an_empty_plan_without_steps_in_bands_is_a_fault() -> None:
    with pytest.raises(ConfigError) as caught:
        load_config("[plan]\n")
    assert any(line.startswith("plan.steps_rpm: missing") for line in caught.value.faults)


@pytest.mark.parametrize(
    "text",
    [
        '["boat\\nhull"]\nname = "Tarn Plover"\n',
        '[boat]\n"na\\nme" = "Tarn Plover"\n',
        '[samples]\nmax_gap_s = { "posi\\ntion" = 3.0 }\n',
        '[samples]\nmax_gap_s = { "po\\u2028sition" = 3.0 }\n',
        '[[engine_log]]\ntime_format = "%Y\\n%q"\n',
    ],
)
def test_a_line_end_in_a_key_or_value_stays_inside_its_line_of_the_list(text: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load_config(text)
    assert all(len(line.splitlines()) == 1 for line in caught.value.faults)


# ------------------------------------------------------------------------------
# The trial plan: a table, or a file beside the settings.
# ------------------------------------------------------------------------------


def test_a_plan_file_is_read_into_the_settings_and_their_comments_stay(tmp_path: Path) -> None:
    text = '# my boat\nplan = "day.toml"  # as agreed\n\n[boat]\nname = "A"  # a comment\n'
    (tmp_path / "boat.toml").write_text(text, encoding="utf-8")
    (tmp_path / "day.toml").write_text("[plan]\nsteps_rpm = [800, 1200]\n[before]\ndock = ['x']\n", encoding="utf-8")
    config, whole = read_config(tmp_path / "boat.toml")
    assert config.plan is not None
    assert config.plan.steps_rpm == (800, 1200)
    assert "# a comment" in whole
    assert "day.toml" in whole
    assert load_config(whole) == config  # it stands by itself


@pytest.mark.parametrize(
    "own",
    [
        "[plan]\nsteps_rpm = [\n  1000,\n  1500,\n]\nmarks = true\n\n[boat]\nname = 'A'  # kept\n",
        "[boat]\nname = 'A'  # kept\n[plan]\nsteps_rpm = [1000]",
        "plan.steps_rpm = [1000]\nboat.name = 'A'\n",
        "plan = { steps_rpm = [1000] }\n[boat]\nname = 'A'\n",
    ],
)
def test_a_plan_given_to_a_command_takes_the_place_of_any_other(own: str, tmp_path: Path) -> None:
    (tmp_path / "boat.toml").write_text(own, encoding="utf-8")
    (tmp_path / "day.toml").write_text("[plan]\nsteps_rpm = [900]\n", encoding="utf-8")
    config, whole = read_config(tmp_path / "boat.toml", tmp_path / "day.toml")
    assert config.plan is not None
    assert config.plan.steps_rpm == (900,)
    assert not config.plan.marks
    assert config.boat.name == "A"
    assert ("# kept" in whole) == ("# kept" in own)


def test_a_plan_file_that_is_missing_or_has_no_plan_is_told_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "boat.toml").write_text('plan = "day.toml"\n', encoding="utf-8")
    with pytest.raises(TrialCaptureError, match=r"trial plan cannot be read.*day\.toml"):
        read_config(tmp_path / "boat.toml")
    (tmp_path / "day.toml").write_text("[trial]\n", encoding="utf-8")
    with pytest.raises(TrialCaptureError, match=r"no \[plan\] table"):
        read_config(tmp_path / "boat.toml")
    assert "plan: saw 'day.toml'; must be a table here" in fault_of('plan = "day.toml"\n')


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ("steps_rpm = [1200, 800]", "plan.steps_rpm: saw [1200, 800]; must ascend"),
        ("marks = true", "plan.steps_rpm: missing"),
        ("steps_rpm = [800]\nways = 2\nreciprocal = false", "plan.ways: saw 2; must be 1 with reciprocal = false"),
        ("steps_rpm = [800]\nways = 0", "plan.ways: saw 0; must be at least 1"),
        ("steps_rpm = [800]\naxis_deg = 400", "plan.axis_deg: saw 400; must be at most 360"),
        ("steps_rpm = [800]\nmanoeuvres = ['dance']", "plan.manoeuvres[0]: saw 'dance'; must be one of"),
        ("steps_rpm = [800]\nspeed = 3", "plan.speed: no such key; did you mean"),
    ],
)
def test_faults_of_a_plan_are_told_with_their_key(plan: str, said: str) -> None:
    assert any(said.partition("; did")[0] in fault for fault in faults_of(f"[plan]\n{plan}\n"))


def test_a_planned_step_that_no_declared_band_takes_is_a_fault() -> None:
    bands = "[bands]\nsteps_rpm = [800, 1200]\n[plan]\n"
    assert "1500" in fault_of(bands + "steps_rpm = [800, 1500, 2000]")
    assert load_config(bands + "steps_rpm = [800, 1250, 2000]").plan is not None  # the last is full throttle
    assert "2000" in fault_of(bands + "full_throttle = false\nsteps_rpm = [800, 1200, 2000]")
    assert load_config(bands + "marks = true").plan is not None  # steps as declared


def test_every_manoeuvre_of_a_boat_that_does_not_plane_has_no_planing_threshold() -> None:
    plan = load_config("[plan]\nsteps_rpm = [800]\nmanoeuvres = true").plan
    assert plan is not None
    assert set(plan.wanted(True)) - set(plan.wanted(False)) == {"slow_planing"}
    assert (plan.ways_a_step, load_config("[plan]\nsteps_rpm = [800]\nreciprocal = false").plan.ways_a_step) == (2, 1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[load]\nfuel = '78 %'", "load.fuel: no such key; the keys here are tanks, persons, person_kg, gear_kg"),
        ("[boat]\ndraft_ft = 3.1", "boat.draft_ft: no such key; did you mean draught_ft?"),
        ("[boat]\ndraft_m = 0.9", "boat.draft_m: no such key; did you mean draught_m?"),
        ("[boat]\ndraught = 0.9", "boat.draught: no such key; did you mean draught_m or draught_ft or draught_in?"),
        ("[boat]\ndraft = 0.9", "boat.draft: no such key; did you mean draught_m or draught_ft or draught_in?"),
        ("[boat]\nlightship_lbs = 9", "boat.lightship_lbs: no such key; did you mean lightship_lb?"),
        ("[boat]\nlength_feet = 9", "boat.length_feet: no such key; did you mean length_ft?"),
        (
            "[fuel]\ncapacity_gal = 300",
            "fuel.capacity_gal: no such key; a gallon must say which it is: capacity_us_gal or capacity_imp_gal",
        ),
        (
            "[fuel]\ndensity_lb_per_gal = 7",
            "fuel.density_lb_per_gal: no such key; a gallon must say which it is: density_lb_per_us_gal or "
            "density_lb_per_imp_gal",
        ),
    ],
)
def test_words_of_other_readers_are_answered_with_the_right_key(text: str, said: str) -> None:
    assert fault_of(text) == said


@pytest.mark.parametrize(
    ("key", "value", "kg_per_m3"),
    [
        # NIST SP 811 (2008) appendix B.8: pound per gallon (US) 1.198264 E+02, pound per gallon (UK) 9.977637 E+01,
        # pound per cubic foot 1.601846 E+01 kg/m³
        ("density_lb_per_us_gal", 7.1, 7.1 * 1.198264e2),
        ("density_lb_per_imp_gal", 8.5, 8.5 * 9.977637e1),
        ("density_lb_per_ft3", 53.0, 53.0 * 1.601846e1),
        ("density_kg_per_l", 0.845, 845.0),
    ],
)
def test_a_density_may_be_in_pounds_a_gallon(key: str, value: float, kg_per_m3: float) -> None:
    found = load_config(f"[fuel]\n{key} = {value}").fuel.density_kg_per_m3
    assert found == pytest.approx(kg_per_m3, rel=1e-6)
    tank = load_config(f'[[load.tanks]]\nname = "grey"\ncapacity_l = 1\nfraction = 1\n{key} = {value}').load.tanks[0]
    assert tank.density_kg_per_m3 == found


def test_a_density_out_of_bounds_is_named_by_the_key_as_written() -> None:
    assert fault_of("[fuel]\ndensity_lb_per_us_gal = 2").startswith("fuel.density_lb_per_us_gal: saw 2;")


def test_a_share_may_be_a_percentage_in_quotes() -> None:
    config = load_config(
        '[fuel]\nusable_fraction = "97.5 %"\nreserve_fraction = "10%"\nusable_u = "1.5 %"\n'
        '[[load.tanks]]\nname = "water"\ncapacity_us_gal = 100\nfraction = "78 %"'
    )
    assert (config.fuel.usable_fraction, config.fuel.reserve_fraction, config.fuel.usable_u) == (0.975, 0.10, 0.015)
    assert config.load.tanks[0].fraction == 0.78
    for text in ('"78"', '"78 pct"', '"% 78"'):
        assert "a percentage in quotes such as '78 %'" in fault_of(f"[fuel]\nusable_fraction = {text}")
    assert "at most 1" in fault_of('[fuel]\nusable_fraction = "178 %"')


def test_a_tank_of_water_needs_no_density_and_any_other_does() -> None:
    def contents(lines: str) -> str:
        return load_config(f"[[load.tanks]]\ncapacity_l = 1\nfraction = 1\n{lines}").load.tanks[0].contents

    assert contents('name = "Fresh water"') == contents('name = "waste water"') == "fresh water"
    assert contents('name = "ballast"\nwater = "salt"') == contents('name = "sea water ballast"') == "salt water"
    assert contents('name = "bait well"\nwater = "salt"') == "salt water"
    assert contents('name = "salt-water tank"\nwater = "fresh"') == "fresh water"
    fault = fault_of('[[load.tanks]]\nname = "bait well"\ncapacity_l = 1\nfraction = 1')
    assert fault.startswith("load.tanks[0].density_kg_per_m3: missing; only a tank of water has one by itself")
    fault = fault_of('[[load.tanks]]\nname = "diesel day tank"\ncapacity_l = 1\nfraction = 1')
    assert fault == "load.tanks[0].density_kg_per_m3: missing; give it here or under [fuel]"
    text = '[fuel]\ndensity_kg_per_m3 = 840\n[[load.tanks]]\nname = "diesel"\ncapacity_l = 1\nfraction = 1'
    assert load_config(text).load.tanks[0].contents == "fuel"
    assert "one of 'fresh' or 'salt'" in fault_of('[[load.tanks]]\ncapacity_l=1\nfraction=1\nwater="sweet"')


def test_the_checklist_of_the_project_can_be_read_and_covers_the_boat() -> None:
    items = read_walk_round(CHECKLIST)
    areas = {"Decks", "Rails", "Cleats", "Ground tackle", "Engine room", "Helm", "Visibility", "Accommodation"}
    assert {item.area for item in items} == areas
    assert {item.kind for item in items} == {"measure", "finding"}
    assert {item.standard for item in items} == {True, False}
    assert len({item.what.casefold() for item in items}) == len(items)
    for item in items:
        assert item.kind == "finding" or dimension(item.unit) in ("length", "mass")


def test_settings_that_name_a_checklist_hold_its_items_and_stand_by_themselves(tmp_path: Path) -> None:
    (tmp_path / "round.toml").write_bytes(CHECKLIST.read_bytes())
    path = tmp_path / "boat.toml"
    path.write_text('# kept\n[trial]\nwalk_round = "round.toml"  # here\ntitle = "T"\n\n[boat]\nname = "B"\n')
    config, text = read_config(path)
    assert config.trial.walk_round == read_walk_round(CHECKLIST)
    assert "# kept" in text
    assert load_config(text) == config
    assert config.trial.title == "T"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "has no item"),
        ("[[item]", "not TOML"),
        ('[[item]]\narea = "A"\nwhat = "w"\nkind = "measure"\n', "a measure has a unit"),
        ('[[item]]\narea = "A"\nwhat = "w"\nkind = "finding"\nunit = "m"\n', "a finding has none"),
        ('[[item]]\narea = "A"\nwhat = " "\nkind = "finding"\n', "says what is looked at"),
        ('[[item]]\narea = "A"\nwhat = "w"\nkind = "guess"\n', "kind"),
        ('[[item]]\narea = "A"\nwhat = "w"\nkind = "finding"\nwhere = "x"\n', "where"),
    ],
)
def test_a_checklist_that_cannot_be_meant_is_refused_by_name(text: str, told: str, tmp_path: Path) -> None:
    path = tmp_path / "round.toml"
    path.write_text(text)
    with pytest.raises(TrialCaptureError) as caught:
        read_walk_round(path)
    assert told in str(caught.value)
    assert "round.toml" in str(caught.value)


def test_a_checklist_that_is_missing_is_named(tmp_path: Path) -> None:
    path = tmp_path / "boat.toml"
    path.write_text('[trial]\nwalk_round = "nowhere.toml"\n')
    with pytest.raises(TrialCaptureError, match="checklist cannot be read"):
        read_config(path)
    with pytest.raises(TrialCaptureError):
        load_config(path.read_text())
