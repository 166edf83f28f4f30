"""What came in and could not be used: told by sentence, field and reason, with its cost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from tests.nmea_builders import journal_line, sentence
from tests.numbers import process_numbers
from tests.prepare.whole_logs import assign_utc_to_log
from trialcapture.archive.session import create_session
from trialcapture.config import load_config
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.prepare.channels.engine_readings import gather_xdr, unmapped_transducers
from trialcapture.prepare.clocks.downsampled_index import index_block, join_indexes
from trialcapture.prepare.data_health import carries_of, is_free, rejection_items, undecoded_items
from trialcapture.prepare.trial_alignment import align_trial

CONFIG = """
[boat]
name = "Test Hull"
[[engine]]
id = "main"
rated_rpm = 3000
{xdr}
"""


def items(
    by_field: dict[tuple[str, str, str, str], int], counts: dict[tuple[str, str, str], list[int]]
) -> dict[Any, Any]:
    return {(x.sentence, x.field, x.reason): (x.count, x.cost) for x in rejection_items(by_field, counts)}


def test_a_type_that_was_refused_throughout_is_told_as_come_in() -> None:
    found = items({("gps", "GPRMC", "", "no checksum"): 900}, {("gps", "GP", "RMC"): [0, 900, 0]})
    count, cost = found["gps GPRMC", "", "no checksum"]
    assert count == 900
    assert "all 900 that came in were refused" in cost
    assert "speed and course over ground" in cost


def test_a_few_damaged_sentences_cost_nothing_and_many_cost_their_share() -> None:
    counts = {("gps", "GP", "RMC"): [980, 20, 0], ("gps", "SD", "DPT"): [60, 40, 0]}
    found = items({("gps", "GPRMC", "", "checksum"): 20, ("gps", "SDDPT", "", "range"): 40}, counts)
    assert found["gps GPRMC", "", "checksum"][1].startswith("none")
    assert found["gps SDDPT", "", "range"][1] == "40% of the sentences that give depth"


def test_damaged_addresses_are_told_together() -> None:
    counts = {("gps", "GP", "RMC"): [980, 20, 0], ("gps", "GQ", "RMC"): [0, 1, 0], ("gps", "", "RMC"): [0, 2, 0]}
    found = items({("gps", "GQRMC", "", "checksum"): 1, ("gps", "RMC", "", "checksum"): 2}, counts)
    assert list(found) == [("gps (damaged)", "", "checksum")]
    assert found["gps (damaged)", "", "checksum"][0] == 3


def test_what_sentences_carry_of_a_bus_is_no_sentence_lost() -> None:
    counts = {("gw", "CAN10", "127488"): [990, 0, 0], ("gw", "MX", "PGN"): [0, 10, 0]}
    (cost,) = [cost for _, cost in items({("gw", "MXPGN", "", "checksum"): 10}, counts).values()]
    assert cost == "none: 10 of 1,000 refused"


def test_types_that_carry_something_and_feed_nothing_are_named() -> None:
    counts = {
        ("bus", "II", "VPW"): [0, 0, 7], ("bus", "WI", "VWT"): [9, 0, 0], ("bus", "II", "TXT"): [0, 0, 3],
        ("gw", "CAN10", "127493"): [0, 0, 5], ("gw", "00", "65257"): [0, 0, 4], ("gps", "GP", "RMC"): [10, 0, 0],
    }  # fmt: skip
    found = {item.sentence: item for item in undecoded_items(counts)}
    assert sorted(found) == ["bus IIVPW", "bus WIVWT", "gw 00 65257", "gw CAN10 127493"]
    assert found["gw CAN10 127493"].carries.startswith("engine")
    assert (found["bus WIVWT"].count, is_free(found["bus WIVWT"])) == (9, False)
    assert is_free(found["bus IIVPW"])  # speed over ground is there
    assert carries_of("RMC") == carries_of("127488") == ""


def placed(bodies: list[str]) -> dict[str, Any]:
    step_us = 1_000_000 * sum(body.startswith("GPRMC") for body in bodies) // len(bodies)
    lines = [journal_line(sentence(body), source="bus", mono_us=nth * step_us) for nth, body in enumerate(bodies)]
    return assign_utc_to_log(decode_nmea(b"".join(lines), source="x")[0], {})[0]


def rmc(nth: int) -> str:
    """A boat that makes good the speed she tells."""
    lat, lon = 42.1234 + 0.0024160 * nth, 18.5678 - 0.0038144 * nth
    return f"GPRMC,10{nth // 60:02d}{nth % 60:02d}.00,A,50{lat:07.4f},N,001{lon:07.4f},W,12.3,045.0,040226,,,A"


MAPPED = """
[[xdr]]
name = "FUEL#0"
channel = "fuel_l_per_h_main"
[[xdr]]
name = "ENGINE#0"
type = "C"
channel = "coolant_c_main"
[[xdr]]
name = "ENGINE#0"
type = "P"
channel = "oil_bar_main"
[[xdr]]
name = "BOOST"
channel = "boost_bar_main"
"""


def test_transducers_of_one_engine_do_not_displace_each_other() -> None:
    bodies = []
    for nth in range(60):
        bodies += [
            rmc(nth), f"IIXDR,C,{80 + nth / 10},C,ENGINE#0", f"IIXDR,P,{350_000 + nth},P,ENGINE#0",
            f"IIXDR,P,{1 + nth / 100:.2f},B,BOOST,T,{2000 + nth},R,ENGINE#0",
        ]  # fmt: skip
    config = load_config(CONFIG.format(xdr=MAPPED))
    found = gather_xdr(placed(bodies), config)
    (engine,) = found["engine_main"]
    (rpm,) = found["rpm_main"]
    for name, first in (("coolant_c_main", 80.0), ("oil_bar_main", 3.5), ("boost_bar_main", 1.0)):
        value = engine.values[name][np.isfinite(engine.values[name])]
        assert value.size == 60, name
        assert value[0] == pytest.approx(first), name
    assert rpm.values["rpm_main"][0] == 2000.0


@pytest.mark.parametrize(("unit", "scale"), [("l", 3600.0), ("I", 3600.0), ("", 1.0)])
def test_volume_flow_in_litres_a_second_is_scaled(unit: str, scale: float) -> None:
    bodies = [body for nth in range(5) for body in (rmc(nth), f"IIXDR,R,0.0125,{unit},FUEL#0")]
    (fuel,) = gather_xdr(placed(bodies), load_config(CONFIG.format(xdr=MAPPED)))["fuel_main"]
    assert fuel.values["fuel_l_per_h_main"] == pytest.approx([0.0125 * scale] * 5)


def test_the_list_of_transducers_that_are_no_channel_is_whole() -> None:
    config = load_config(CONFIG.format(xdr=MAPPED))
    bodies = [rmc(0)] + [f"IIXDR,G,{nth},,MINE#{nth},A,1.0,D,PTCH,R,1.0,l,FUEL#0" for nth in range(40)] * 3 + [rmc(30)]
    lines = [journal_line(sentence(body), source="bus", mono_us=nth * 250_000) for nth, body in enumerate(bodies)]
    blocks = [b"".join(lines[:50]), b"".join(lines[50:])]
    outline = join_indexes(
        [index_block(decode_nmea(block, source="x", first_line=50 * nth)[0]) for nth, block in enumerate(blocks)]
    )
    arrangement = align_trial([("raw/nmea.log", outline)], [], config)
    left = unmapped_transducers(arrangement.logs["raw/nmea.log"].with_utc, config)
    assert left == {("bus/II", "G", "", f"MINE#{nth}"): 3 for nth in range(40)}
    assert len(arrangement.health.undecoded) == 40
    (warning,) = [w for w in arrangement.warnings if "XDR" in w]
    assert all(f"MINE#{nth}" in warning for nth in range(40))
    assert "PTCH" not in warning


def test_a_session_tells_its_rejects_by_sentence_field_and_reason(tmp_path: Path) -> None:
    config = CONFIG.format(xdr="")
    session = tmp_path / "session"
    create_session(session, load_config(config), made_by="test", created="2026-02-04T10:00:00Z", config_text=config)
    bodies = []
    for nth in range(300):
        bodies.append(rmc(nth).replace(",,,A", ",999.9,E,A"))
        bodies.append("SDDPT,99999.9,0.0")
        bodies.append("IIVPW,5.0,N,2.6,M")
        bodies.append(f"ERRPM,E,1,{2000 + nth % 3},10.0")
    lines = [journal_line(sentence(body), source="bus", mono_us=nth * 250_000) for nth, body in enumerate(bodies)]
    (session / "raw" / "nmea.log").write_bytes(b"".join(lines))
    summary = process_numbers(session)["summary"]
    found = {(r["sentence"], r["field"], r["reason"]): r for r in summary["data_health"]["rejected"]}
    assert found["bus GPRMC", "variation", "range"]["count"] == 300
    assert found["bus SDDPT", "", "range"]["count"] == 300
    assert "all 300 that came in were refused" in found["bus SDDPT", "", "range"]["cost"]
    assert found["bus ERRPM", "status", "missing field"]["count"] == 300
    assert [u["sentence"] for u in summary["data_health"]["undecoded"]] == ["bus IIVPW"]
    assert summary["dropped"]["rejects"] == {"range": 300}
    table = pq.read_table(session / "trialset" / "rejects.parquet")
    assert table.column_names == ["source", "line", "t", "reason", "bytes", "field"]
    assert set(table["field"].to_pylist()) == {"variation", "status", None}
    samples = pq.read_table(session / "trialset" / "samples.parquet")
    assert samples["rpm_main"].null_count < samples.num_rows / 2


def fuel_trial(fuel: Any, rated_kw: str = "rated_kw = 100") -> list[Any]:
    config = load_config(
        CONFIG.format(xdr="").replace("rated_rpm = 3000", f"rated_rpm = 3000\n{rated_kw}")
        + '[[xdr]]\nname = "FUEL#0"\nchannel = "fuel_l_per_h_main"\n'
    )
    bodies = []
    for nth in range(600):
        rpm = 700 + 2200 * (nth // 100) / 5
        bodies += [rmc(nth), f"ERRPM,E,0,{rpm:.0f},,A", f"IIXDR,R,{fuel(rpm / 3000):.4f},,FUEL#0"]
    step_us = 1_000_000 // 3
    lines = [journal_line(sentence(body), source="bus", mono_us=nth * step_us) for nth, body in enumerate(bodies)]
    outline = index_block(decode_nmea(b"".join(lines), source="x")[0])
    health = align_trial([("raw/nmea.log", join_indexes([outline]))], [], config).health
    return [d for d in health.disagreements if "fuel" in d.what]


@pytest.mark.parametrize(
    ("fuel", "against"),
    [
        (lambda _share: 400.0, "most that such an engine burns"),
        (
            lambda share: 25.0 * share**3 / 3600.0,
            "least that such an engine burns",
        ),  # litres a second taken for an hour
        (lambda share: 8.0 - share, "rise with engine speed"),
    ],
)
def test_a_fuel_that_cannot_belong_to_the_engine_speed_is_named(fuel: Any, against: str) -> None:
    (found,) = fuel_trial(fuel)
    assert against in found.against
    assert found.action == "warning"
    assert found.what.startswith("fuel of engine main by bus/II")


@pytest.mark.parametrize("rated_kw", ["rated_kw = 100", ""])
@pytest.mark.parametrize("scale", [12.0, 25.0, 38.0])
def test_an_ordinary_fuel_is_not(scale: float, rated_kw: str) -> None:
    assert fuel_trial(lambda share: 1.0 + scale * share**3, rated_kw) == []


def test_weather_sentences_give_wind_water_and_air() -> None:
    bodies = []
    for nth in range(60):
        bodies += [rmc(nth), "WIMDA,29.92,I,1.0132,B,15.5,C,18.5,C,55.0,,6.4,C,210.0,T,208.0,M,12.0,N,6.17,M"]
    lines = [journal_line(sentence(body), source="bus", mono_us=nth * 500_000) for nth, body in enumerate(bodies)]
    outline = join_indexes([index_block(decode_nmea(b"".join(lines), source="x")[0])])
    arrangement = align_trial([("raw/nmea.log", outline)], [], load_config(CONFIG.format(xdr="")))
    assert arrangement.rankings["wind_true"] == ("bus/WI MDA",)
    assert arrangement.rankings["water_temp"] == ("bus/WI MDA",)
    assert arrangement.air == pytest.approx({"pressure_hpa": 1013.2, "air_temp_c": 15.5})
