"""Short sessions of several boats, and an S3-speaking server on loopback.

The server is moto's: a simulator that holds its objects in memory. It proves that the protocol is spoken, conditional
puts included; it proves nothing about any real store.
"""

from __future__ import annotations

import logging
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import boto3
from moto.server import ThreadedMotoServer

from tests.made_once import made_once
from trialcapture.pipeline import process
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

FIRST_DAY_NS = 1_778_746_200_000_000_000  # 2026-05-14 08:10 UTC
_DAY_NS = 86_400_000_000_000
BOATS = ("small-petrol", "displacement", "coarse-1hz", "manoeuvres-small")
"""Scenarios that are soon simulated: three boats of 7, 12 and 17 m."""
BUCKET = "yard"


def short_session(folder: Path, number: int, *, processed: bool = True) -> Path:
    """Make one session of ten minutes, its day and boat by its number; nothing where it is there already."""
    if not (folder / "seal.jsonl").is_file():
        shutil.rmtree(folder, ignore_errors=True)
        scenario = BOATS[number % len(BOATS)]
        trial = simulate(scenario, number, short=True, start_utc_ns=FIRST_DAY_NS + number * _DAY_NS)
        write_session(trial, folder)
        folder.with_name(f"{folder.name}.truth.json").unlink(missing_ok=True)
    if processed and not (folder / "reduction" / "results.json").is_file():
        process(folder)
    return folder


def copied_session(folder: Path, number: int, *, processed: bool = True) -> Path:
    """Copy one session that is made once in a run of the tests to a folder that is not there yet, and return that."""

    def make(home: Path) -> None:
        if processed:
            copied_session(home / "session", number, processed=False)
        short_session(home / "session", number, processed=processed)

    name = f"fleet {number} {'processed' if processed else 'as recorded'}"
    return Path(shutil.copytree(made_once(name, make) / "session", folder))


@contextmanager
def s3_server() -> Iterator[Mapping[str, str]]:
    """Run an S3 server with one empty bucket; yields what must stand in the environment."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)  # a line a request is too much to read
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    try:
        host, port = server.get_host_and_port()
        endpoint = f"http://{host}:{port}"
        boto3.client(
            "s3", endpoint_url=endpoint, region_name="us-east-1", aws_access_key_id="x", aws_secret_access_key="x"
        ).create_bucket(Bucket=BUCKET)
        yield {
            "AWS_ENDPOINT_URL": endpoint,
            "AWS_ACCESS_KEY_ID": "AKIDOFTHETESTS",
            "AWS_SECRET_ACCESS_KEY": "secret-of-the-tests",
            "AWS_REGION": "us-east-1",
            "AWS_EC2_METADATA_DISABLED": "true",
        }
    finally:
        server.stop()
