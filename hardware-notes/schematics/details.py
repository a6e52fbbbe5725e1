"""Pad, blocking capacitor and choke, input buffer, fixtures, the one-turn clip, and a wrong ground clip."""

from __future__ import annotations

from collections.abc import Sequence

import schemdraw.elements as elm

from schematics.sheet import Picture, Point, Sheet


def pad(sheet: Sheet) -> None:
    """Draw the pad of 20 dB."""
    low = -3.4
    sheet.part(elm.ResistorIEC(), (1.6, 0), (5.4, 0))
    sheet.text((3.5, 0.65), "249 Ω")
    for x, side in ((1.6, "right"), (5.4, "left")):
        sheet.part(elm.ResistorIEC(), (x, 0), (x, low))
        sheet.text((x - 0.55 if side == "right" else x + 0.55, low / 2), "61.9 Ω", align=side)
        sheet.dot((x, 0))
        sheet.dot((x, low))
    for y in (0.0, low):
        sheet.line((-0.6, y), (1.6, y))
        sheet.line((5.4, y), (7.6, y))
        sheet.terminal((-0.6, y))
        sheet.terminal((7.6, y))
    sheet.line((1.6, low), (5.4, low))
    sheet.text((-0.8, low / 2), "from the\ngenerator", align="right")
    sheet.text((7.8, low / 2), "to the\nbench", align="left")


def choke(sheet: Sheet) -> None:
    """Draw the way from the generator to node A, and the loop through earth."""
    low, floor = -2.2, -4.4
    sheet.part(elm.SourceSin(), (0, low), (0, 0))
    sheet.text((-0.7, low / 2), "generator", align="right")
    for y, flip in ((0.0, True), (low, False)):
        sheet.line((0, y), (0.9, y))
        coil = elm.Inductor()
        sheet.part(coil.flip() if flip else coil, (0.9, y), (3.1, y))
    for shift in (-0.08, 0.08):
        sheet.line((1.4, low / 2 + shift), (2.6, low / 2 + shift))
    sheet.text((2.0, 0.9), "20 turns of coax\non a ring")
    sheet.line((3.1, 0), (3.6, 0))
    sheet.part(elm.ResistorIEC(), (3.6, 0), (5.4, 0))
    sheet.text((4.5, 0.65), "pad")
    sheet.part(elm.Capacitor(), (5.4, 0), (6.9, 0))
    sheet.part(elm.Capacitor(), (6.9, 0), (8.4, 0))
    sheet.text((6.9, 0.95), "220 µF, 220 µF")
    sheet.text((6.5, -0.4), "+")
    sheet.text((7.3, -0.4), "+")
    sheet.line((8.4, 0), (9.2, 0))
    sheet.terminal((9.2, 0))
    sheet.text((9.4, 0), "A", align="left")
    sheet.line((3.1, low), (9.2, low))
    sheet.terminal((9.2, low))
    sheet.text((9.4, low), "ground", align="left")
    sheet.line((0, low), (0, floor), (8.4, floor), (8.4, low), dashed=True)
    sheet.dot((0, low))
    sheet.dot((8.4, low))
    sheet.earth((4.2, floor))
    sheet.text((4.2, (low + floor) / 2), "loop through plugs and scope")


def buffer(sheet: Sheet) -> None:
    """Draw one channel of the protected input buffer of a sound card."""
    top, bottom, node = 2.6, -3.6, 4.2
    sheet.terminal((0, 0))
    sheet.text((0, 0.55), "A or B")
    sheet.part(elm.ResistorIEC(), (0, 0), (2.6, 0))
    sheet.text((1.5, -0.65), "1 kΩ")
    sheet.line((2.6, 0), (6.4, 0))
    sheet.part(elm.ResistorIEC(), (2.6, 0), (2.6, bottom))
    sheet.text((2.1, bottom / 2 - 0.4), "1 MΩ", align="right")
    sheet.dot((2.6, 0))
    sheet.part(elm.Diode(fill=False), (node, 0), (node, top))
    sheet.part(elm.Diode(fill=False), (node, -2.4), (node, 0))
    sheet.dot((node, 0))
    sheet.part(elm.Line(), (node, -2.4), (node, -2.5))
    sheet.text((node, top + 0.35), "+5 V")
    sheet.text((node, -2.85), "−5 V")
    amplifier = elm.Opamp(leads=False).anchor("in2").at((6.4, 0)).right().flip()
    placed = sheet.drawing.add(amplifier)
    minus, out = tuple(placed.in1), tuple(placed.out)
    end = (out[0] + 0.6, out[1])
    sheet.line(out, (out[0] + 0.6, out[1]))
    sheet.dot(end)
    sheet.line(
        minus, (minus[0] - 0.6, minus[1]), (minus[0] - 0.6, minus[1] - 1.2), (end[0], minus[1] - 1.2), end
    )
    sheet.part(elm.ResistorIEC(), end, (end[0] + 2.2, end[1]))
    sheet.text((end[0] + 1.1, end[1] + 0.65), "100 Ω")
    sheet.terminal((end[0] + 2.2, end[1]))
    sheet.text((end[0] + 1.4, end[1] - 1.0), "to the\nsound card", align="left")
    sheet.line((0, bottom), (end[0] + 2.2, bottom))
    sheet.terminal((0, bottom))
    sheet.terminal((end[0] + 2.2, bottom))
    sheet.dot((2.6, bottom))
    sheet.common((5.4, bottom))
    sheet.dot((5.4, bottom))
    sheet.text((0, bottom + 0.55), "ground")


def fixtures(sheet: Sheet) -> None:
    """Draw open, short, load and capacitor with what each also is."""
    _open(sheet, (0.0, 0.0))
    _chain(sheet, (4.9, 0.0), "short", ((elm.ResistorIEC(), "1 mΩ"), (elm.Inductor(), "4 nH")))
    _chain(sheet, (0.0, -6.2), "load", ((elm.ResistorIEC(), "50 Ω"), (elm.Inductor(), "4 nH")), "0.4 pF")
    small = (elm.Capacitor(), elm.ResistorIEC(), elm.Inductor())
    values = ("1 nF", "20 mΩ", "6 nH")
    parts = tuple((element.scale(0.75), value) for element, value in zip(small, values, strict=True))
    _chain(sheet, (4.9, -6.2), "capacitor", parts)


def _open(sheet: Sheet, at: Point) -> None:
    x, y = at
    sheet.text((x, y + 0.7), "open")
    sheet.part(elm.Capacitor(), (x, y), (x, y - 4))
    sheet.text((x + 0.8, y - 2), "1 pF", align="left")
    sheet.terminal((x, y))
    sheet.terminal((x, y - 4))


def _chain(
    sheet: Sheet, at: Point, name: str, parts: Sequence[tuple[elm.Element2Term, str]], across: str = ""
) -> None:
    """Draw parts in series from a terminal down, and a capacitance across the first of them."""
    x, y = at
    length = 4 / len(parts)
    sheet.text((x, y + 0.7), name)
    for k, (element, value) in enumerate(parts):
        here = y - k * length
        sheet.part(element, (x, here), (x, here - length))
        sheet.text((x + 0.8, here - length / 2), value, align="left")
    if across:
        sheet.line((x, y - 0.25), (x - 1.1, y - 0.25))
        sheet.part(elm.Capacitor(), (x - 1.1, y - 0.25), (x - 1.1, y - length))
        sheet.line((x - 1.1, y - length), (x, y - length))
        sheet.dot((x, y - 0.25))
        sheet.dot((x, y - length))
        sheet.text((x - 1.8, y - length / 2), across, align="right")
    sheet.terminal((x, y))
    sheet.terminal((x, y - 4))


def clip(sheet: Sheet) -> None:
    """Draw the one-turn clip: drive and sense contacts at both ends of a rod through the core."""
    x, top, bottom = 4.6, -2.4, -5.6
    sheet.terminal((0.4, 0))
    sheet.text((0.2, 0), "from the\npad", align="right")
    sheet.line((0.4, 0), (1.4, 0))
    sheet.dot((1.4, 0))
    sheet.line((1.4, 0), (1.4, 1.2), (8.0, 1.2))
    sheet.text((1.15, -0.4), "A")
    sheet.terminal((8.0, 1.2))
    sheet.text((8.2, 1.2), "channel A", align="left")
    sheet.part(elm.ResistorIEC(), (1.4, 0), (4.2, 0))
    sheet.text((2.8, -0.7), "shunt 10 Ω")
    sheet.line((4.2, 0), (x, 0))
    sheet.part(elm.ResistorIEC().scale(0.6), (x, 0), (x, top))
    sheet.text((x - 0.4, top / 2 - 0.2), "contact 1", align="right")
    sheet.line((x, top), (x, bottom))
    for side in (-0.3, 0.3):
        sheet.box((x + side, -3.2), (x + side / 0.3 * 1.1, -4.8), solid=True)
    sheet.text((x - 1.3, -4.0), "core\n(cut)", align="right")
    sheet.part(elm.ResistorIEC().scale(0.6), (x, bottom), (x, -8.0))
    sheet.text((x - 0.4, -6.8), "contact 4", align="right")
    for y, name, pin in ((top, "2", "channel B"), (bottom, "3", "scope ground")):
        sheet.dot((x, y))
        sheet.part(elm.ResistorIEC().scale(0.6), (x, y), (x + 3.4, y))
        sheet.text((x + 1.7, y + (0.55 if name == "2" else -0.55)), f"contact {name}")
        sheet.terminal((8.0, y))
        sheet.text((8.2, y), pin, align="left")
    sheet.text((x - 0.35, top - 0.2), "B", align="right")
    sheet.line((x, -8.0), (0.4, -8.0))
    sheet.terminal((0.4, -8.0))
    sheet.text((0.2, -8.0), "back", align="right")


def board(sheet: Sheet) -> None:
    """Draw the board from above: islands for A and B, ground as one strip, cables at the edge."""
    sheet.box((0, 0), (10.0, -7.6))
    sheet.box((0.8, -1.4), (4.0, -3.6), solid=True)
    sheet.box((5.2, -1.4), (9.2, -3.6), solid=True)
    sheet.box((0.8, -5.0), (9.2, -7.0), solid=True)
    for at, name in (((1.3, -3.1), "A"), ((8.7, -3.1), "B"), ((2.6, -6.0), "ground")):
        sheet.text(at, name)
    for x in (3.5, 5.7):
        sheet.terminal((x, -2.4))
    sheet.text((4.6, -2.4), "core")
    sheet.part(elm.ResistorIEC(), (7.2, -3.2), (7.2, -5.4))
    sheet.text((6.6, -4.3), "shunt", align="right")
    for x, name in ((1.5, "source"), (3.3, "channel A"), (7.2, "channel B")):
        sheet.line((x, 0.3), (x, -1.8))
        sheet.dot((x, -1.8))
        sheet.text((x, 0.7 if name != "source" else 1.3), name)
    sheet.line((1.5, 0.3), (1.5, 1.0))
    sheet.line((4.6, -7.9), (4.6, -6.0))
    sheet.dot((4.6, -6.0))
    sheet.text((4.6, -8.3), "outer conductors of all three")


def wrong_clip(sheet: Sheet) -> None:
    """Draw what a second ground clip on node B does with the shunt at ground."""
    top, middle, low, floor, node, left = 0.0, -3.0, -6.0, -8.2, 4.2, 7.2
    sheet.part(elm.SourceSin(), (0, low), (0, top))
    sheet.text((0.75, (top + low) / 2), "generator", align="left")
    sheet.line((0, top), (node, top))
    sheet.part(elm.Inductor(core=True), (node, top), (node, middle))
    sheet.text((node - 0.5, (top + middle) / 2), "wound\ncore", align="right")
    sheet.part(elm.ResistorIEC(), (node, middle), (node, low))
    sheet.text((node - 0.6, (middle + low) / 2), "shunt", align="right")
    for y, name in ((top, "A"), (middle, "B")):
        sheet.text((node + 0.3, y + 0.4), name)
    sheet.box((left, top + 0.7), (left + 2.4, low - 0.7))
    sheet.text((left + 1.2, -5.2), "scope")
    sheet.line((node, top), (left, top))
    sheet.text((left + 0.2, top), "A", align="left")
    sheet.line((0, low), (left, low))
    sheet.text((left + 0.2, low), "ground", align="left")
    sheet.line((node, middle), (left, middle), accent=True)
    sheet.text((left + 0.2, middle), "clip", align="left", accent=True)
    inside = left + 2.0
    sheet.line((left + 1.3, middle), (inside, middle), (inside, low), (left + 1.75, low), accent=True)
    sheet.line((left, low), (node, low), accent=True)
    sheet.line((inside, low), (inside, floor), (0, floor), (0, low), dashed=True)
    for at in ((node, top), (node, middle), (node, low), (0, low), (inside, low)):
        sheet.dot(at)
    sheet.earth((node, floor))
    sheet.text((2.4, floor + 0.7), "earth of both plugs")


PICTURES = (
    Picture(
        "pad",
        "Pad of 20 dB for 50 Ω",
        "A series resistor of 249 Ω, and 61.9 Ω from either end of it to ground.",
        pad,
    ),
    Picture(
        "choke-and-capacitor",
        "From the generator to node A",
        "The coaxial cable of the generator makes 20 turns on a ring, so that inner and outer conductor are "
        "both wound; then pad, and a blocking capacitor of two electrolytic capacitors of 220 µF back to "
        "back, lead to node A. Dashed: the loop from ground through the plugs of scope and generator.",
        choke,
    ),
    Picture(
        "buffer",
        "Protected buffer in front of one input of a sound card",
        "1 kΩ in series, with 1 MΩ to ground behind it, then two diodes to plus and minus 5 V, then a "
        "follower of unity gain, then 100 Ω to the input of the sound card.",
        buffer,
    ),
    Picture(
        "fixtures",
        "Open, short, load and capacitor, and what each is besides",
        "Open: 1 pF. Short: 1 mΩ and 4 nH in series. Load: 50 Ω with 0.4 pF across, 4 nH in series. "
        "Capacitor: 1 nF with 20 mΩ and 6 nH in series.",
        fixtures,
    ),
    Picture(
        "one-turn-clip",
        "One-turn clip with four contacts, specimen at ground",
        "The drive comes from the pad over node A and the shunt through contact 1 into a rod, and back "
        "through contact 4. The rod passes through the core. Contact 2, above the core, is node B and leads "
        "to channel B; contact 3, below it, to the ground of the scope.",
        clip,
    ),
    Picture(
        "board",
        "The board from above, shunt at ground",
        "Copper islands for A and B side by side, the terminals of the core across the gap between them; "
        "ground as one wide strip below, the shunt from island B down to it. Source and channel A are on "
        "island A, channel B on island B; their outer conductors go to the ground strip.",
        board,
    ),
    Picture(
        "wrong-clip",
        "A second ground clip on node B shorts the shunt",
        "Shunt at ground. The clip of the second channel is put on node B instead of ground: node B is then "
        "joined to ground inside the scope and, by the earth of its plug, once more through the generator; "
        "the shunt carries nothing.",
        wrong_clip,
    ),
)
