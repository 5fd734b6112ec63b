"""Tables that people edit by hand: TOML read key by key, and one line with file and key for what is wrong with it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from hoodnote.errors import HoodnoteError
from hoodnote.units import to_si

_NUMBER = r"-?\d+(?:\.\d+)?"
_AMOUNT = re.compile(rf"({_NUMBER}) +(.+)")
_SPAN = re.compile(rf"({_NUMBER}) to ({_NUMBER}) +(.+)")
# As people write a unit -> its id in `units` (a limit of error in C is a difference of temperatures).
PRESSURES = {"psi": "psi", "bar": "bar", "kPa": "kPa", "MPa": "MPa", "kg/cm2": "kg/cm2"}
TEMPERATURES = {"C": "C", "F": "F"}
DIFFERENCES = {"C": "C difference", "F": "F difference"}
VOLTS = {"V": "V", "mV": "mV"}
VOLUMES = {"mL": "mL", "fl oz": "fl oz"}


@dataclass(frozen=True)
class Table:
    """One table of a file. `at` says where in the file, before a key."""

    file: Path
    data: Mapping[str, Any]
    at: str = ""

    def fail(self, key: str, what: str) -> NoReturn:
        """Raises HoodnoteError: file, key, and what is allowed."""
        raise HoodnoteError(f"{self.file}: {self.at}{key}: {what}")

    def only(self, *keys: str) -> None:
        """Raises HoodnoteError for any other key."""
        for key in self.data:
            if key not in keys:
                self.fail(key, f"unknown here; write {', '.join(keys)}")

    def text(self, key: str, default: str | None = None) -> str:
        value = self.data.get(key, default)
        if not isinstance(value, str) or not value.strip():
            self.fail(key, "write a text in quotes")
        return value.strip()

    def choice(self, key: str, allowed: Collection[str], default: str | None = None) -> str:
        value = self.data.get(key, default)
        if not isinstance(value, str) or value not in allowed:
            self.fail(key, f"write one of {', '.join(allowed)}")
        return value

    def flag(self, key: str) -> bool:
        value = self.data.get(key, False)
        if not isinstance(value, bool):
            self.fail(key, "write true or false")
        return value

    def amount(self, key: str, units: Mapping[str, str], default: str | None = None) -> float:
        """ "120 psi" in the base unit of its quantity."""
        found = _AMOUNT.fullmatch(self.text(key, default))
        if not found or found[2] not in units:
            self.fail(key, f'write a figure with {_or(units)}, for instance "12 {next(iter(units))}"')
        return to_si(float(found[1]), units[found[2]])

    def span(self, key: str, units: Mapping[str, str], default: str | None = None) -> tuple[float, float]:
        """ "20 to 30 psi" in the base unit of its quantity, lowest first."""
        found = _SPAN.fullmatch(self.text(key, default))
        if not found or found[3] not in units:
            self.fail(key, f'write two figures with {_or(units)}, for instance "2 to 3 {next(iter(units))}"')
        low, high = (to_si(float(found[n]), units[found[3]]) for n in (1, 2))
        if low > high:
            self.fail(key, "write the lower figure first")
        return low, high

    def table(self, key: str) -> Table | None:
        value = self.data.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.fail(key, f"write it as a table of its own, [{self.at}{key}]")
        return Table(self.file, value, f"{self.at}{key}.")

    def tables(self, key: str) -> Iterator[Table]:
        """Every [[key]], named by its number."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(x, dict) for x in value):
            self.fail(key, f"write each below its own [[{key}]]")
        for number, data in enumerate(value, 1):
            yield Table(self.file, data, f"{self.at}{key} {number}: ")


def read(file: Path) -> Table:
    """Raises FileNotFoundError where there is none, HoodnoteError for what cannot be read."""
    try:
        return Table(file, tomllib.loads(file.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise
    except OSError as e:
        raise HoodnoteError(f"{file} cannot be read: {e.strerror or e}") from None
    except UnicodeDecodeError:
        raise HoodnoteError(f"{file} is not UTF-8 text; mend it or move it away") from None
    except tomllib.TOMLDecodeError as e:
        raise HoodnoteError(f"{file} is no readable TOML: {' '.join(str(e).split())}; mend that line or move the file away") from None


def _or(units: Mapping[str, str]) -> str:
    *most, last = units
    return f"{', '.join(most)} or {last}" if most else last
