"""Groups are joined on every network, ports taken alone, and firewalls named, as each system has it."""

from __future__ import annotations

import socket
import struct
import sys
from typing import ClassVar

import pytest

from tests import rig
from trialcapture.acquire.source import UdpListener
from trialcapture.system.operating_system import SystemName
from trialcapture.system.sockets import (
    firewall_hint,
    firewall_remedy,
    hears_broadcasts,
    is_group,
    is_loopback,
    join_group,
    listen_on,
    listen_on_first,
    own_addresses,
    receive,
    take_port,
    widen_buffer,
)

GROUP = "239.192.0.1"  # of the range that IEC 61162-450 uses
NETWORKS = [(1, "lo"), (2, "cable"), (7, "wireless"), (9, "without an address")]


class FakeSocket:
    """A socket that remembers what it is asked for."""

    def __init__(self, refused: tuple[int, ...] = ()) -> None:
        self.refused = refused
        self.options: list[tuple[int, int, object]] = []
        self.bound: tuple[str, int] | None = None

    def setsockopt(self, level: int, option: int, value: object) -> None:
        if isinstance(value, bytes) and len(value) > 4:
            number = struct.unpack("4s4si", value)[2] if len(value) == 12 else struct.unpack("!4sI", value)[1]
            if number in self.refused:
                raise OSError(19, "No such device")
        self.options.append((level, option, value))

    def bind(self, address: tuple[str, int]) -> None:
        self.bound = address

    def recvfrom(self, size: int) -> tuple[bytes, tuple[str, int]]:
        return b"datagram", ("10.0.0.1", 5)

    def memberships(self) -> list[bytes]:
        return [
            value
            for level, option, value in self.options
            if (level, option) == (socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP) and isinstance(value, bytes)
        ]


@pytest.mark.parametrize(
    ("system", "form"),
    [
        # ip_mreqn of ip(7): group, own address, number of the interface
        ("linux", lambda n: struct.pack("4s4si", socket.inet_aton(GROUP), b"\0\0\0\0", n)),
        ("macos", lambda n: struct.pack("4s4si", socket.inet_aton(GROUP), b"\0\0\0\0", n)),
        # ip_mreq of Windows Sockets: an address in 0.0.0.0/8 is the number of an interface
        ("windows", lambda n: socket.inet_aton(GROUP) + socket.inet_aton(f"0.0.0.{n}")),
    ],
)
def test_a_group_is_joined_on_every_network_that_can(system: SystemName, form: object) -> None:
    receiver = FakeSocket(refused=(9,))
    joined = join_group(receiver, GROUP, system=system, interfaces=lambda: NETWORKS)
    assert joined == {1, 2, 7}
    assert receiver.memberships() == [form(n) for n in (1, 2, 7)]  # type: ignore[operator]


def test_a_network_that_comes_later_is_joined_then_and_one_that_went_is_forgotten() -> None:
    receiver = FakeSocket()
    joined = join_group(receiver, GROUP, system="linux", interfaces=lambda: NETWORKS[:2])
    assert joined == {1, 2}
    joined = join_group(receiver, GROUP, joined, system="linux", interfaces=lambda: NETWORKS[1:3])
    assert joined == {2, 7}
    assert len(receiver.memberships()) == 3
    joined = join_group(receiver, GROUP, joined, system="linux", interfaces=lambda: NETWORKS[:2])
    assert len(receiver.memberships()) == 4  # the first came back, perhaps with another address


def test_where_networks_cannot_be_told_the_system_chooses() -> None:
    def unknown() -> list[tuple[int, str]]:
        raise OSError("not supported")

    receiver = FakeSocket()
    assert join_group(receiver, GROUP, system="macos", interfaces=unknown) == frozenset()
    assert receiver.memberships() == [socket.inet_aton(GROUP) + b"\0\0\0\0"]
    with pytest.raises(OSError, match="No such device"):
        join_group(FakeSocket(refused=(0, 1)), GROUP, system="linux", interfaces=lambda: NETWORKS[:1])


@pytest.mark.skipif(sys.platform != "linux", reason="sends to a group through the loopback of Linux")
def test_a_group_is_heard_on_a_network_that_is_not_the_systems_choice() -> None:
    port = rig.free_port()
    source = UdpListener("g", port, GROUP)
    source.open()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
        sender.sendto(rig.numbered(1), (GROUP, port))
    chunks = rig.wait_for(lambda: source.read(0.5))
    assert [chunk.data for chunk in chunks] == [rig.numbered(1)]
    source.close()


@pytest.mark.parametrize(
    ("system", "host", "option"),
    [("windows", "", getattr(socket, "SO_EXCLUSIVEADDRUSE", ~socket.SO_REUSEADDR)), ("linux", "", None),
     ("macos", "192.168.1.5", None), ("linux", GROUP, socket.SO_REUSEADDR), ("windows", GROUP, socket.SO_REUSEADDR)],
)  # fmt: skip
def test_a_port_is_taken_alone_and_a_groups_shared(system: SystemName, host: str, option: int | None) -> None:
    receiver = FakeSocket()
    take_port(receiver, host, 10110, system=system)
    assert [o for _, o, _ in receiver.options] == ([] if option is None else [option])
    assert receiver.bound == ("" if host == GROUP else host, 10110)


def test_only_linux_counts_what_it_dropped() -> None:
    receiver = FakeSocket()
    widen_buffer(receiver, 1 << 20, system="windows")
    assert len(receiver.options) == 1
    assert receive(receiver, system="windows") == (b"datagram", ("10.0.0.1", 5), None)
    widen_buffer(receiver, 1 << 20, system="linux")
    assert len(receiver.options) == 4


@pytest.mark.parametrize(
    ("host", "system", "hears"),
    [("", "linux", True), ("0.0.0.0", "macos", True), ("192.168.1.5", "windows", True), (GROUP, "linux", True),
     ("192.168.1.5", "linux", False), ("192.168.1.5", "macos", False)],
)  # fmt: skip
def test_who_hears_broadcasts(host: str, system: SystemName, hears: bool) -> None:
    assert hears_broadcasts(host, system=system) is hears


@pytest.mark.skipif(sys.platform != "linux", reason="takes another loopback address, as Linux has")
def test_a_host_that_hears_no_broadcasts_says_so_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trialcapture.acquire.source.is_loopback", lambda host: False)
    said: list[str] = []
    source = UdpListener("net", rig.free_port(), "127.0.0.3", say=lambda kind, text, **_: said.append(f"{kind} {text}"))
    source.open()
    source.open()
    source.close()
    assert len(said) == 1
    assert said[0].startswith("no_broadcasts net: host = '127.0.0.3'")


@pytest.mark.parametrize(
    ("host", "is_own"), [("127.0.0.1", True), ("localhost", True), ("10.0.0.1", False), ("", False)]
)
def test_the_loopback_is_known(host: str, is_own: bool) -> None:
    assert is_loopback(host) is is_own
    assert not is_group(host)


@pytest.mark.parametrize(("system", "word"), [("windows", "netsh"), ("macos", "System Settings"), ("linux", "ufw")])
def test_a_firewall_is_named_with_its_remedy(system: SystemName, word: str) -> None:
    assert word in firewall_remedy(10110, system=system)
    assert "10110" in firewall_remedy(10110, system=system)
    assert "firewall" in firewall_hint(10110, system=system)
    assert "'" not in firewall_remedy(10110, system="windows")  # no quotes that its command prompt does not know


class FakeListener(FakeSocket):
    """A TCP socket that remembers what it is asked for."""

    is_listening = is_blocking = is_closed = False

    def listen(self, waiting: int) -> None:
        self.is_listening = waiting > 0

    def setblocking(self, on: bool) -> None:
        self.is_blocking = on

    def close(self) -> None:
        self.is_closed = True


@pytest.mark.parametrize(("system", "option"), [("windows", -5), ("linux", 2), ("macos", 2)])
def test_a_port_to_serve_on_is_taken_alone(system: SystemName, option: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """SO_EXCLUSIVEADDRUSE of Windows is the complement of SO_REUSEADDR (winsock2.h: ~SO_REUSEADDR)."""
    monkeypatch.setattr(socket, "SO_REUSEADDR", 4 if system == "windows" else 2)
    monkeypatch.delattr(socket, "SO_EXCLUSIVEADDRUSE", raising=False)
    fake = FakeListener()
    listen_on("127.0.0.1", 8765, system=system, make=lambda: fake)
    assert [o for _, o, _ in fake.options] == [option]
    assert (fake.bound, fake.is_listening, fake.is_closed) == (("127.0.0.1", 8765), True, False)


def test_a_port_that_is_taken_is_passed_over_or_told() -> None:
    with listen_on("127.0.0.1", 0) as taken:
        number = taken.getsockname()[1]
        with listen_on_first("127.0.0.1", (number, 0)) as other:
            assert other.getsockname()[1] != number
        with pytest.raises(OSError, match=r"\w"):
            listen_on_first("127.0.0.1", (number,))
    with pytest.raises(OSError, match="no port"):
        listen_on_first("127.0.0.1", ())


class FakeControl:
    """The module ``fcntl``: interfaces with and without an address (``struct ifreq`` of netdevice(7))."""

    ADDRESSES: ClassVar[dict[str, str]] = {"lo": "127.0.0.1", "cable": "192.168.7.20", "wireless": "10.1.2.3"}

    def __init__(self) -> None:
        self.requests: set[int] = set()

    def ioctl(self, _handle: int, request: int, data: bytes) -> bytes:
        self.requests.add(request)
        name = data.rstrip(b"\0").decode()
        if name not in self.ADDRESSES:
            raise OSError(99, "Cannot assign requested address")
        return data[:20] + socket.inet_aton(self.ADDRESSES[name]) + data[24:]


@pytest.mark.parametrize(("system", "request_number"), [("linux", 0x8915), ("macos", 0xC0206921)])
def test_own_addresses_are_those_of_all_networks(system: SystemName, request_number: int) -> None:
    control = FakeControl()
    found = own_addresses(system=system, interfaces=lambda: NETWORKS, calls=control)
    assert {"192.168.7.20", "10.1.2.3"} <= set(found)
    assert not [a for a in found if is_loopback(a) or a == "0.0.0.0"]
    assert control.requests == {request_number}


def test_own_addresses_of_windows_need_no_interfaces() -> None:
    def none() -> list[tuple[int, str]]:
        raise AssertionError("they are not asked for there")

    assert not [a for a in own_addresses(system="windows", interfaces=none) if is_loopback(a)]
