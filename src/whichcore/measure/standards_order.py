"""Which standards a calibration takes, in which order, what each is for, and which model they give."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from whichcore.analysis.types import Wiring
from whichcore.bench import BenchSettings
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.standards import Capacitor, Known, Load, Open, Short, Standard
from whichcore.errors import UsageError
from whichcore.files.text import did_you_mean
from whichcore.files.warn import warn

NONE = "none"
TIED_PURPOSE = "First both channels on one node: their ranges are tied together."
EMPTY_PURPOSE = "the winding without its core: what it alone shows is called zero"
_PURPOSES: Mapping[type, str] = {
    Open: "nothing at the terminals: what the bench itself lets pass",
    Load: "a known resistor: sets the scale of every result",
    Short: "the terminals joined: leads and contacts are called zero",
    Capacitor: "a good capacitor: sets the phase, on which tan δ hangs",
    Known: "a part measured elsewhere: checks and sharpens the others",
}
# after the tied channels nothing is at the terminals: the open takes no hands; the resistor comes next, so
# that it brackets all others when it is measured again at the end
_ORDER = (Open, Load, Short, Capacitor, Known)
_DRIFT_ORDER = (Load, Known, Capacitor, Short)  # what fills both channels shows a drift best; an open none


@dataclass(frozen=True, slots=True)
class Chosen:
    """The standards of one calibration, in the order they are fitted.

    Attributes
    ----------
    terminals : tuple of Standard
        At the terminals.
    empty : Short or None
        The winding on its former, after the others.
    """

    terminals: tuple[Standard, ...]
    empty: Short | None = None

    @property
    def all(self) -> tuple[Standard, ...]:
        """Both."""
        return self.terminals if self.empty is None else (*self.terminals, self.empty)

    @property
    def again(self) -> Standard | None:
        """The part that is measured again at the end; None where none would show a drift."""
        for kind in _DRIFT_ORDER:
            for item in self.terminals:
                if isinstance(item, kind):
                    return item
        return None


def purpose(standard: Standard) -> str:
    """Return in a few words what a standard is for."""
    if is_empty_winding(standard):
        return EMPTY_PURPOSE
    return next((text for kind, text in _PURPOSES.items() if isinstance(standard, kind)), "a known part")


def is_empty_winding(standard: Standard) -> bool:
    """Tell whether it is a winding on a former instead of something at the terminals."""
    return isinstance(standard, Short) and standard.plane == "empty winding"


def chosen_standards(settings: BenchSettings, names: Sequence[str] = (), *, wound: bool = False) -> Chosen:
    """Return the standards to be measured.

    Parameters
    ----------
    settings : BenchSettings
    names : sequence of str
        Of bench.toml; none given means all that go together, the one word ``none`` the known shunt alone.
    wound : bool
        Whether the winding is known, so that an empty one can be taken.

    Raises
    ------
    UsageError
        An unknown name, one given twice, or standards that give no model.
    """
    if settings.wiring is Wiring.TWO_WINDINGS:
        if names and tuple(names) != (NONE,):
            raise UsageError(
                "two windings take no standards: the tied channels are all that is measured",
                where="standards",
                got=", ".join(names),
                next_step="leave them out, or choose another wiring in bench.toml",
            )
        return Chosen(())
    if tuple(names) == (NONE,):
        return Chosen(())
    parts = _named(settings, names) if names else list(settings.standards.values())
    empties = [item for item in parts if isinstance(item, Short) and item.plane == "empty winding"]
    terminals = _sorted([item for item in parts if not is_empty_winding(item)])
    empty = _empty(empties, named=bool(names), wound=wound)
    chosen = Chosen(terminals, empty)
    if _makes_a_model(chosen):
        return chosen
    return _no_model(chosen, named=bool(names))


def solve(measured: Sequence[Measured], setup: Setup) -> ErrorModel:
    """Solve the model that the standards at the terminals allow; raises CalibrationError."""
    if len(measured) >= 3:
        return OpenShortLoad.solve(measured, setup)
    if measured:
        return OpenShort.solve(measured, setup)
    return Ratio.solve((), setup)


def _sorted(parts: Sequence[Standard]) -> tuple[Standard, ...]:
    known = [item for kind in _ORDER for item in parts if isinstance(item, kind)]
    return (*known, *(item for item in parts if item not in known))


def _named(settings: BenchSettings, names: Sequence[str]) -> list[Standard]:
    there = settings.standards
    for name in names:
        if name not in there:
            raise UsageError(
                "bench.toml has no such standard",
                where="standards",
                got=name,
                allowed=", ".join(there) or "none",
                next_step=did_you_mean(name, there, "add it to bench.toml as [standards.NAME]"),
            )
    if len(set(names)) < len(names):
        raise UsageError("a standard is named twice", where="standards", got=", ".join(names))
    return [there[name] for name in names]


def _empty(empties: Sequence[Short], *, named: bool, wound: bool) -> Short | None:
    if not empties:
        return None
    if not wound and not named:
        left = ", ".join(item.name for item in empties)
        warn(f"{left} is left out: it belongs to one winding, which --specimen FILE names")
        return None
    if len(empties) > 1:
        raise UsageError(
            "one empty winding at a time is called zero",
            where="standards",
            got=", ".join(item.name for item in empties),
            next_step="name the one to take with --standards",
        )
    if not wound:
        raise UsageError(
            "an empty winding belongs to one specimen",
            where="standards",
            got=empties[0].name,
            next_step="name the wound core it will be used for with --specimen FILE",
        )
    return empties[0]


def _kinds(chosen: Chosen) -> list[type]:
    return [type(item) for item in chosen.all]


def _makes_a_model(chosen: Chosen) -> bool:
    """None, open and short (a winding on its former may be the short), or three and more at the terminals."""
    count = len(chosen.terminals)
    if count >= 3:
        return True
    if count == 2 and chosen.empty is not None:
        return set(_kinds(Chosen(chosen.terminals))) == {Open, Short}
    return not chosen.all or (len(chosen.all) == 2 and set(_kinds(chosen)) == {Open, Short})


def _no_model(chosen: Chosen, *, named: bool) -> Chosen:
    got = ", ".join(item.name for item in chosen.all)
    if named or chosen.empty is not None:
        raise UsageError(
            "these standards give no model",
            where="standards",
            got=got,
            allowed="an open and a short; or three and more at the terminals; an empty winding beside them",
            next_step=f"name others with --standards, or the word {NONE} for the known shunt alone",
        )
    warn(
        f"bench.toml has {got} alone, which gives no model: the known shunt is used without it; add an open, "
        "a short and a load"
    )
    return Chosen(())
