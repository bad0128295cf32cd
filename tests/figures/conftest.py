"""Flights to compute with: the one of the documentation, whole, and ways to change it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest

from preflight.config.flight import (
    Balloon,
    Beacon,
    Card,
    Cells,
    Cylinder,
    Flight,
    FlightInfo,
    KeepOut,
    Link,
    Load,
    Package,
    Parachute,
    Payload,
    Recovery,
    Sample,
    SampleField,
    Site,
)


def base_flight() -> Flight:
    """A flight with every section that figures use but [wind]."""
    return Flight(
        flight=FlightInfo(
            name="Fulmar 3",
            release=datetime(2027, 5, 16, 8, 30, tzinfo=UTC),
            power_up=2700.0,
            checklist="latex-flight.toml",
        ),
        site=Site(
            latitude=-43.93,
            longitude=171.62,
            elevation=212.0,
            timezone="Pacific/Auckland",
            qnh=101800.0,
            temperature=282.15,
        ),
        balloon=Balloon(mass=0.75, burst_diameter=6.7, gas="helium", neck_lift=1.70),
        payload=Payload(package=(Package(name="instrument pack", mass=1.02, smallest_face=0.018),)),
        parachute=Parachute(mass=0.08, area=0.9),
        sample=Sample(rate=2.0, format="delimited", length=64.0, field=(SampleField(name="pressure"),)),
        link=Link(baud=38400, buffer=512.0, clock=16e6),
        card=Card(volume="/media/crew/FULMAR"),
        battery=Cells(
            chemistry="li-ion",
            series=2,
            capacity=3.4 * 3600,
            cell_temperature=263.15,
            resistance=0.06,
            rail=5.0,
            dropout=0.3,
            load=(Load(name="flight computer", current=0.095), Load(name="radio", current=0.12, duty=0.2)),
        ),
        beacon=Beacon(
            interval=60.0,
            battery=Cells(
                chemistry="li-fes2",
                series=3,
                capacity=3.0 * 3600,
                cell_temperature=253.15,
                state="fresh",
                resistance=0.15,
                rail=3.3,
                dropout=0.2,
                cut_off=1.2,
                load=(Load(name="beacon", current=0.04),),
            ),
        ),
        cylinder=Cylinder(water_volume=0.05, pressure=2e7, temperature=288.15),
        recovery=Recovery(
            search=4 * 3600.0,
            landing_elevation=300.0,
            keep_out=(KeepOut(name="reservoir", latitude=-43.80, longitude=171.90, radius=3000.0),),
        ),
    )


def changed(flight: Flight, **sections: Any) -> Flight:
    """`flight` with keys of sections replaced: changed(flight, balloon={"neck_lift": 2.0}, wind=None)."""
    new: dict[str, Any] = {}
    for name, change in sections.items():
        here = getattr(flight, name)
        new[name] = (
            msgspec.structs.replace(here, **change)
            if isinstance(change, dict) and isinstance(here, msgspec.Struct)
            else change
        )
    return msgspec.structs.replace(flight, **new)


@pytest.fixture
def flight() -> Flight:
    return base_flight()


@pytest.fixture
def change() -> Callable[..., Flight]:
    """`change(balloon={...})`: the base flight with keys replaced."""
    return lambda **sections: changed(base_flight(), **sections)
