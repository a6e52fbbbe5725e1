"""The three wirings, with generator and scope and with a sound card."""

from __future__ import annotations

import schemdraw.elements as elm

from schematics.sheet import Picture, Sheet

TOP, MIDDLE, RAIL = 0.0, -3.4, -6.8
NODE = 5.4  # where nodes A and B are
BUFFER = (6.3, 7.9)
INSTRUMENT = (8.4, 11.4)


def source(sheet: Sheet, sound: bool, to: float) -> None:
    """Draw source, pad and blocking capacitor up to the first node."""
    sheet.part(elm.SourceSin(), (0, RAIL), (0, TOP))
    words = "sound card,\nline out" if sound else "generator,\n50 Ω inside"
    sheet.text((0.75, (TOP + RAIL) / 2), words, align="left")
    sheet.line((0, TOP), (0.4, TOP))
    sheet.part(elm.ResistorIEC(), (0.4, TOP), (2.4, TOP))
    sheet.text((1.4, TOP + (0.9 if sound else 0.65)), "drive\nbuffer" if sound else "pad")
    sheet.part(elm.Capacitor(), (2.4, TOP), (4.2, TOP))
    sheet.text((3.3, TOP + 0.75), "110 µF")
    sheet.line((4.2, TOP), (to, TOP))


def reader(sheet: Sheet, sound: bool, pins: tuple[tuple[float, str], ...]) -> None:
    """Draw scope or sound card with its inputs, at the right."""
    left, right = INSTRUMENT
    sheet.box((left, TOP + 0.8), (right, RAIL - 0.8))
    for y, name in pins:
        sheet.text((left + 0.2, y), name, align="left")
    sheet.text(((left + right) / 2, -5.3), "sound card,\nline in" if sound else "scope")


def input_line(sheet: Sheet, sound: bool, start: float, y: float) -> None:
    """Draw the line from a node to an input; with a sound card through protection and buffer."""
    if not sound:
        sheet.line((start, y), (INSTRUMENT[0], y))
        return
    sheet.line((start, y), (BUFFER[0], y))
    sheet.box((BUFFER[0], y + 0.5), (BUFFER[1], y - 0.5))
    sheet.text((sum(BUFFER) / 2, y), "buffer")
    sheet.line((BUFFER[1], y), (INSTRUMENT[0], y))


def rail(sheet: Sheet, sound: bool) -> None:
    """Draw the common rail with the sign of what it is tied to."""
    sheet.line((0, RAIL), (INSTRUMENT[0], RAIL))
    sheet.dot((NODE + 1.4, RAIL))
    (sheet.common if sound else sheet.earth)((NODE + 1.4, RAIL))


def core(sheet: Sheet, top: float, bottom: float) -> None:
    """Draw the wound core between two nodes, with terminals."""
    sheet.part(elm.Inductor(core=True), (NODE, top - 0.5), (NODE, bottom + 0.5))
    sheet.line((NODE, top), (NODE, top - 0.5))
    sheet.line((NODE, bottom + 0.5), (NODE, bottom))
    for y in (top - 0.5, bottom + 0.5):
        sheet.terminal((NODE, y))
    sheet.text((NODE - 0.6, (top + bottom) / 2), "wound\ncore", align="right")


def shunt(sheet: Sheet, top: float, bottom: float, value: str) -> None:
    """Draw the shunt between two nodes."""
    sheet.part(elm.ResistorIEC(), (NODE, top), (NODE, bottom))
    sheet.text((NODE - 0.6, (top + bottom) / 2), f"shunt\n{value}", align="right")


def one_winding(sheet: Sheet, sound: bool, shunt_at_ground: bool) -> None:
    """Draw a wiring whose core has one winding."""
    source(sheet, sound, NODE)
    value = "100 Ω" if sound else "10 Ω"
    if shunt_at_ground:
        core(sheet, TOP, MIDDLE)
        shunt(sheet, MIDDLE, RAIL, value)
    else:
        shunt(sheet, TOP, MIDDLE, value)
        core(sheet, MIDDLE, RAIL)
    for y, name in ((TOP, "A"), (MIDDLE, "B")):
        sheet.dot((NODE, y))
        sheet.text((NODE + 0.3, y + 0.4), name)
        input_line(sheet, sound, NODE, y)
    sheet.dot((NODE, RAIL))
    rail(sheet, sound)
    reader(sheet, sound, ((TOP, "A"), (MIDDLE, "B"), (RAIL, "ground")))


def two_windings(sheet: Sheet, sound: bool) -> None:
    """Draw the wiring with the voltage of a second winding on A."""
    first, second = 4.4, 5.2
    source(sheet, sound, first)
    low = MIDDLE + 0.8
    for x, flip in ((first, False), (second, True)):
        coil = elm.Inductor()
        sheet.part(coil.flip() if flip else coil, (x, TOP - 0.4), (x, low))
        sheet.line((x, TOP), (x, TOP - 0.4))
        sheet.dot((x + (0.42 if flip else -0.42), TOP - 0.55))
    for x in ((first + second) / 2 - 0.08, (first + second) / 2 + 0.08):
        sheet.line((x, TOP - 0.5), (x, low - 0.1))
    sheet.text((first - 0.5, (TOP + low) / 2 - 0.2), "first\nwinding", align="right")
    sheet.text((second + 0.5, (TOP + low) / 2 - 0.2), "second\nwinding", align="left")
    sheet.line((first, low), (first, MIDDLE - 0.3))
    sheet.part(elm.ResistorIEC(), (first, MIDDLE - 0.3), (first, RAIL))
    sheet.text((first - 0.6, (MIDDLE + RAIL) / 2), f"shunt\n{'100' if sound else '10'} Ω", align="right")
    sheet.dot((first, MIDDLE - 0.3))
    sheet.text((first + 0.3, MIDDLE + 0.1), "B")
    input_line(sheet, sound, second, TOP)
    sheet.text((second + 0.3, TOP + 0.4), "A")
    sheet.line((second, low), (INSTRUMENT[0], low))
    input_line(sheet, sound, first, MIDDLE - 0.3)
    sheet.dot((first, RAIL))
    rail(sheet, sound)
    reader(sheet, sound, ((TOP, "A"), (low, "ground"), (MIDDLE - 0.3, "B"), (RAIL, "ground")))


def _pictures() -> tuple[Picture, ...]:
    pictures = []
    for sound, what in ((False, "generator and scope"), (True, "a sound card")):
        end = "sound" if sound else "scope"
        pictures += [
            Picture(
                f"shunt-at-ground-{end}",
                f"Shunt at ground, with {what}",
                "Source, pad and blocking capacitor lead to node A; the wound core lies between A and B, the "
                "shunt between B and ground. Channel A reads node A, channel B node B, both against ground.",
                lambda sheet, sound=sound: one_winding(sheet, sound, shunt_at_ground=True),
            ),
            Picture(
                f"specimen-at-ground-{end}",
                f"Specimen at ground, with {what}",
                "Source, pad and blocking capacitor lead to node A; the shunt lies between A and B, the "
                "wound core between B and ground. Channel A reads node A, channel B node B.",
                lambda sheet, sound=sound: one_winding(sheet, sound, shunt_at_ground=False),
            ),
            Picture(
                f"two-windings-{end}",
                f"Two windings, with {what}",
                "Source, pad and blocking capacitor drive the first winding, which is in series with the "
                "grounded shunt. Channel B reads the shunt, channel A the second winding, whose other end "
                "is grounded. Dots mark the starts of both windings.",
                lambda sheet, sound=sound: two_windings(sheet, sound),
            ),
        ]
    return tuple(pictures)


PICTURES = _pictures()
