"""
Machines of a firm, on one: each a network namespace with an address of its own, on one switch.

They share nothing but the wire (and, unlike real ones, the disk: give each a folder of its own). Needs root and
iproute2; whoever uses it skips where `why_not` says why.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final

from tests.servers import IS_ROOT, ROOT, end, launch, tell_guard

MINE: Final = 1
"""The last number of the address that this process has on the switch."""


def why_not() -> str:
    """Why there can be no such machines here; empty where there can."""
    if not IS_ROOT:
        return "network namespaces need root"
    if shutil.which("ip") is None:
        return "network namespaces need iproute2"
    tried = f"jw{os.getpid()}t"
    done = subprocess.run(["ip", "netns", "add", tried], capture_output=True, text=True)
    if done.returncode:
        return f"no network namespace can be made: {done.stderr.strip()}"
    _ip("netns", "del", tried)
    return ""


def _ip(*args: str, inside: str = "") -> None:
    within = ["-n", inside] if inside else []
    subprocess.run(["ip", *within, *args], check=True, capture_output=True)


@dataclass
class Host:
    """One machine."""

    name: str
    namespace: str
    address: str
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def start(self, argv: list[str], env: dict[str, str], **how: Any) -> subprocess.Popen[bytes]:
        """Start a process on it."""
        process = launch(["ip", "netns", "exec", self.namespace, *argv], cwd=ROOT, env=env, **how)
        self.processes.append(process)
        return process

    def python(self, *args: str, env: dict[str, str], **how: Any) -> subprocess.Popen[bytes]:
        """Start our Python on it."""
        return self.start([sys.executable, *args], env, **how)

    def cut(self) -> None:
        """Pull its cable: nobody is told, nothing comes through."""
        _ip("link", "set", "wire", "down", inside=self.namespace)

    def join(self) -> None:
        """Plug it in again."""
        _ip("link", "set", "wire", "up", inside=self.namespace)

    def die(self) -> None:
        """Everything on it ends at once, as when its power goes."""
        while self.processes:
            end(self.processes.pop(), 9)


class Network:
    """The switch, and the machines on it."""

    def __init__(self) -> None:
        self.tag = f"jw{os.getpid()}"
        self.prefix = f"10.{random.SystemRandom().randrange(64, 128)}.{random.SystemRandom().randrange(256)}"
        self.hosts: dict[str, Host] = {}
        self.switch = f"{self.tag}sw"
        _add(self.switch)
        _ip("link", "add", "sw", "type", "bridge", inside=self.switch)
        _ip("link", "set", "sw", "up", inside=self.switch)
        self._plug_in("", MINE, self.tag)

    def host(self, name: str) -> Host:
        """One more machine."""
        number = len(self.hosts) + 10
        namespace = f"{self.tag}{name}"
        _add(namespace)
        _ip("link", "set", "lo", "up", inside=namespace)
        self._plug_in(namespace, number, "wire")
        self.hosts[name] = Host(name, namespace, f"{self.prefix}.{number}")
        return self.hosts[name]

    def hand_over(self, old: Host, new: Host) -> None:
        """Another machine takes the address of one that is gone."""
        _ip("address", "flush", "dev", "wire", inside=old.namespace)
        _ip("address", "add", f"{old.address}/24", "dev", "wire", inside=new.namespace)
        subprocess.run(["ip", "-n", self.switch, "neigh", "flush", "all"], check=False, capture_output=True)
        for host in self.hosts.values():
            _ip("neigh", "flush", "all", inside=host.namespace)
        _ip("neigh", "flush", "all")

    def _plug_in(self, namespace: str, number: int, wire: str) -> None:
        port = f"p{number}"
        where = ["netns", namespace] if namespace else []
        _ip("link", "add", port, "type", "veth", "peer", "name", wire, *where, inside=self.switch)
        if not namespace:  # the peer belongs to us
            _ip("link", "set", wire, "netns", str(os.getpid()), inside=self.switch)
        _ip("link", "set", port, "master", "sw", "up", inside=self.switch)
        _ip("address", "add", f"{self.prefix}.{number}/24", "dev", wire, inside=namespace)
        _ip("link", "set", wire, "up", inside=namespace)

    def end(self) -> None:
        """Everything on it ends, and it is gone."""
        for host in self.hosts.values():
            host.die()
            _ip("netns", "del", host.namespace)
        _ip("netns", "del", self.switch)


def _add(namespace: str) -> None:
    tell_guard("namespace", namespace)
    _ip("netns", "add", namespace)


@contextmanager
def network() -> Iterator[Network]:
    """A network that is gone afterwards."""
    made = Network()
    try:
        yield made
    finally:
        made.end()
