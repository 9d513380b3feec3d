"""Wiring diagrams: the boards from their pin maps, the small circuits with schemdraw."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from types import ModuleType
from xml.sax.saxutils import unescape

import schemdraw
import schemdraw.elements as elm
from sheet import Sheet, width_of

from steadyram_fw.boards import pins_esp32, pins_pico

schemdraw.use("svg")
_VALUES = tomllib.loads(
    (Path(__file__).resolve().parents[1] / "electronics" / "values.toml").read_text(encoding="utf-8")
)


def _ohm(table: str, key: str) -> str:
    """Return a resistance as it stands on the part: 470 Ω, 4.7 kΩ."""
    value = float(_VALUES[table][key])
    return f"{value / 1000:g} kΩ" if value >= 1000 else f"{value:g} Ω"


def _nf(table: str, key: str) -> str:
    return f"{_VALUES[table][key]:g} nF"


INPUT_WORDS = {
    "extend": "extend pedal, contact closes when pressed",
    "retract": "retract pedal, contact closes when pressed",
    "cutoff": "cutoff selector, closed = cutoff on",
    "latch": "return selector, closed = latched return",
    "estop_ok": "emergency stop, its normally closed monitor contact",
    "top": "top switch, closed = ram at the top",
    "push": "push of the knob",
    "cutout_ok": "pressure cutout, if fitted, closed = not open",
}
POWER_WORDS = {
    "gnd": "ground: star point of all grounds, at the board",
    "3v3": "3.3 V out: 4.7 kΩ of every contact, display, converter",
    "5v": "printed VSYS or VIN: 5 V in, through a Schottky diode",
}
NOTE = """Plain numbers are pins of the header, in their order and not as they sit: look at the print on your board.
Each contact: one side to ground, the other through the contact circuit.
Each driver: the driver circuit. The transducer: the divider circuit. The diode lets USB be plugged in as well.
With the 16-bit converter, its inputs 0 and 1 take the transducer's signal and supply; the board's own stay open."""
_A_OR_READY = "ram position: encoder A, or 2nd converter ready"
PLACE_POWER_NAMES = {"wiper_top": "REF", "wiper_gnd": "AGND"}
PLACE_WORDS = {
    "wiper_top": "reference of the converter: top of the potentiometer",
    "wiper_gnd": "analogue ground: potentiometer, dividers, transducer",
}
OUTPUT_WORDS = {
    "extend": "driver 1: relay of the extend solenoid",
    "retract": "driver 2: relay of the retract solenoid",
    "slow": "driver 3: relay of the slow-feed solenoid, if fitted",
    "lamp": "driver 4: lamp, without a relay",
    "buzzer": "driver 5: buzzer, without a relay",
}


def wiring(pins: ModuleType, gpio_word: str) -> Sheet:
    """Everything that is wired to one board, from its pin map; `gpio_word` is what the board prints before a GPIO."""
    contacts = [*pins.INPUTS, *([pins.CUTOUT] if pins.CUTOUT else [])]
    left = [(number, f"{gpio_word}{gpio}", INPUT_WORDS[bits[0]]) for bits, gpio, number in contacts]
    left += [
        (number, f"{gpio_word}{gpio}", f"knob, contact {name[-1].upper()}")
        for name, gpio, number in pins.KNOB
    ]
    power = [(number, name.upper(), POWER_WORDS[name]) for name, number in pins.POWER]
    right = [(number, f"{gpio_word}{gpio}", OUTPUT_WORDS[name]) for name, gpio, number in pins.OUTPUTS]
    left += [
        (row[2], f"{gpio_word}{row[1]}", words)
        for row, words in (
            (pins.PLACE_A, _A_OR_READY if pins.PLACE_READY else "ram position, if an encoder: line A"),
            (pins.PLACE_B, "ram position, if an encoder: line B"),
        )
    ]
    if pins.PLACE_WIPER:
        _, gpio, number = pins.PLACE_WIPER
        right.append((number, f"{gpio_word}{gpio}", "ram position, if a potentiometer: wiper"))
        right += [(number, PLACE_POWER_NAMES[name], PLACE_WORDS[name]) for name, number in pins.PLACE_POWER]
    if pins.ALIVE:
        _, gpio, number = pins.ALIVE
        right.append((number, f"{gpio_word}{gpio}", "pulse-watching relay, if fitted"))
    for row, words in (
        (pins.ADC_SIGNAL, "transducer signal through its divider"),
        (pins.ADC_SUPPLY, "transducer supply through an equal divider"),
        (pins.ADC_SDA, "16-bit converter, data"),
        (pins.ADC_SCL, "16-bit converter, clock"),
        (pins.ADC_READY, "16-bit converter, data ready"),
        (pins.SCREEN_SDA, "display, data"),
        (pins.SCREEN_SCL, "display, clock"),
    ):
        if row:
            right.append((row[2], f"{gpio_word}{row[1]}", words))
    left, right = sorted(left) + sorted(power), sorted(right)
    rows = max(len(left), len(right)) + 1
    s = Sheet(1024, 110 + 34 * rows + 106, f"Wiring: {pins.TITLE}")
    s.words(20, 30, s.title, 18, weight="bold")
    top, bottom = 60, 70 + 34 * rows
    s.box(420, top, 160, bottom - top, "#eef3ee")
    for side, entries in (("left", left), ("right", right)):
        for i, (number, gpio, words) in enumerate(entries):
            y = top + 30 + 34 * i
            if side == "left":
                s.line((360, y), (420, y))
                s.words(426, y + 5, f"{number}  {gpio}", 13)
                s.words(352, y + 5, words, 13, "end")
            else:
                s.line((580, y), (640, y))
                s.words(574, y + 5, f"{gpio}  {number}", 13, "end")
                s.words(648, y + 5, words, 13)
    s.words(20, bottom + 30, NOTE, 13)
    return s


def _small(build: str) -> str:
    """One schemdraw drawing as stable SVG text."""
    with schemdraw.Drawing(show=False) as d:
        d.config(fontsize=12, unit=2.2, margin=1.6)
        globals()[build](d)
    text = d.get_imagedata("svg").decode("utf-8")
    text = _with_widths(re.sub(r">\s+<", ">\n<", text))
    return text if text.endswith("\n") else text + "\n"


def _with_widths(svg: str) -> str:
    """Write the width of each line of text down, and make the sheet wide enough for all of them.

    The library sizes its sheet by a font that the reader may not have.
    """
    view = re.search(r'viewBox="([-\d. ]+)"', svg)
    assert view is not None
    x, y, width, height = (float(each) for each in view[1].split())
    left, right = x, x + width

    def line(found: re.Match[str]) -> str:
        nonlocal left, right
        head, body = found[1], found[2]
        size = float(re.search(r'font-size="([\d.]+)"', head)[1])  # type: ignore[index]
        anchor = re.search(r'text-anchor="(\w+)"', head)[1]  # type: ignore[index]

        def piece(span: re.Match[str]) -> str:
            nonlocal left, right
            words = unescape(span[2])
            if not words.strip():
                return span[0]
            long = width_of(words, size)
            at = float(re.search(r'x="([-\d.]+)"', span[1])[1])  # type: ignore[index]
            start = at - {"start": 0.0, "middle": long / 2, "end": long}[anchor]
            left, right = min(left, start - 4), max(right, start + long + 4)
            return f'<tspan{span[1]} textLength="{long:g}" lengthAdjust="spacingAndGlyphs">{span[2]}</tspan>'

        return f"<text{head}>{re.sub(r'<tspan([^>]*)>(.*?)</tspan>', piece, body, flags=re.S)}</text>"

    svg = re.sub(r"<text([^>]*)>(.*?)</text>", line, svg, flags=re.S)
    wide = right - left
    svg = svg.replace(view[0], f'viewBox="{left:g} {y:g} {wide:g} {height:g}"', 1)
    return re.sub(
        r'width="([\d.]+)(\w*)"',
        lambda old: f'width="{float(old[1]) * wide / width:g}{old[2]}"',
        svg,
        count=1,
    )


def driver(d: schemdraw.Drawing) -> None:
    """From an output pin to a relay coil."""
    pin = d.add(elm.Dot(open=True).label("output pin", "left"))
    d.add(elm.Resistor().right().at(pin.center).label(_ohm("driver", "gate_ohm")))
    gate = d.add(elm.Dot())
    d.push()
    d.add(
        elm.Resistor()
        .down()
        .label(f"{_ohm('driver', 'pull_down_ohm')} pull-down:\noff when the\npin floats", loc="top")
    )
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Line().right().length(0.6).at(gate.center))
    fet = d.add(elm.NFet().theta(0).reverse().anchor("gate"))
    d.add(
        elm.Label()
        .at((fet.source.x + 1.1, fet.center.y))
        .label(f"logic-level N-\nMOSFET, {_VALUES['driver']['transistor_v']:g} V")
    )
    d.add(elm.Line().down().at(fet.source).length(0.9))
    d.add(elm.Ground())
    d.add(elm.Line().up().at(fet.drain).length(0.3))
    low = d.add(elm.Dot())
    d.add(elm.Inductor2().up().label("relay coil", loc="bottom").length(2.2))
    high = d.add(elm.Dot())
    d.add(elm.Line().left().at(low.center).length(1.8))
    d.add(elm.Diode().up().toy(high.center).label("flyback diode\nat the coil", loc="top"))
    d.add(elm.Line().right().tox(high.center))
    d.add(elm.Line().up().at(high.center).length(0.4))
    d.add(elm.Vdd().label("coil supply, through\nthe emergency stop"))


def contact(d: schemdraw.Drawing) -> None:
    """From a contact to an input pin."""
    ground = d.add(elm.Ground())
    d.add(elm.Switch().right().at(ground.start).label("contact on a\nscreened pair"))
    d.add(elm.Resistor().right().label(_ohm("contact", "series_ohm")))
    node = d.add(elm.Dot())
    d.push()
    d.add(elm.Resistor().up().label(_ohm("contact", "pull_up_ohm"), loc="bottom"))
    d.add(elm.Vdd().label("3.3 V"))
    d.pop()
    d.push()
    d.add(elm.Capacitor().down().label(_nf("contact", "filter_nf"), loc="bottom"))
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Line().right().at(node.center).length(0.6))
    d.add(elm.Resistor().right().label(_ohm("contact", "pin_series_ohm"), loc="bottom"))
    d.add(elm.Line().right().length(0.8))
    _clamps(d)
    d.add(elm.Dot(open=True).label("input pin", "right"))


def _clamps(d: schemdraw.Drawing) -> None:
    """Two Schottky diodes from a pin's line, to 3.3 V and from ground; the line goes on to the right."""
    node = d.add(elm.Dot())
    d.push()
    d.add(elm.Schottky().up().length(1.1).label("3.3 V", "top"))
    d.pop()
    d.push()
    d.add(elm.Schottky().reverse().down().length(1.1))
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Line().right().at(node.center).length(0.5))


def divider(d: schemdraw.Drawing) -> None:
    """Transducer signal and supply through two equal dividers."""
    box = d.add(
        elm.Ic(
            size=(3.4, 6),
            pins=[
                elm.IcPin(name="+5 V", side="right", slot="3/3", anchorname="sup"),
                elm.IcPin(name="signal", side="right", slot="2/3", anchorname="sig"),
                elm.IcPin(name="0 V", side="right", slot="1/3", anchorname="gnd"),
            ],
            label="",
        )
    )
    d.add(elm.Label().at((box.sup.x - 2.6, box.sup.y + 1.6)).label("transducer, 0.5 to 4.5 V"))
    d.add(elm.Line().right().at(box.gnd).length(0.6))
    d.add(elm.Ground())
    for anchor, reach, name in (
        (box.sup, 11.4, "to the supply input"),
        (box.sig, 2.2, "to the signal input"),
    ):
        d.add(elm.Line().right().at(anchor).length(reach))
        d.add(
            elm.Resistor()
            .right()
            .label(f"{_ohm('divider', 'top_ohm')} {_VALUES['divider']['tolerance_percent']:g} %")
        )
        node = d.add(elm.Dot())
        d.push()
        d.add(elm.Resistor().down().label(_ohm("divider", "bottom_ohm"), loc="top"))
        d.add(elm.Ground())
        d.pop()
        d.add(elm.Line().right().at(node.center).length(1.4))
        node2 = d.add(elm.Dot())
        d.push()
        d.add(elm.Capacitor().down().label(_nf("divider", "filter_nf"), loc="bottom"))
        d.add(elm.Ground())
        d.pop()
        d.add(elm.Line().right().at(node2.center).length(1.6))
        _clamps(d)
        d.add(elm.Dot(open=True).label(name, "right"))


def loop(d: schemdraw.Drawing) -> None:
    """4 to 20 mA: loop fuse, burden, and what keeps a shorted transducer's 24 V off the pin."""
    d.add(elm.Dot(open=True).label("24 V", "left"))
    d.add(elm.Fuse().right().label("50 mA\nresettable"))
    d.add(elm.Line().right().length(0.4))
    d.add(elm.ResistorIEC().right().label("transducer\n4 to 20 mA"))
    node = d.add(elm.Dot())
    d.push()
    d.add(
        elm.Resistor()
        .down()
        .label(f"{_ohm('loop', 'burden_ohm')}\n0.1 %, {_VALUES['loop']['burden_w']} W", loc="top")
    )
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Resistor().right().at(node.center).label(_ohm("loop", "series_ohm")))
    node2 = d.add(elm.Dot())
    d.push()
    d.add(elm.Capacitor().down().label(_nf("loop", "filter_nf"), loc="bottom"))
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Line().right().at(node2.center).length(1.6))
    _clamps(d)
    d.add(elm.Dot(open=True).label("to the signal input", "right"))
    d.add(elm.Dot(open=True).at((0, -6.2)).label("board's 3.3 V", "left"))
    d.add(elm.Resistor().right().length(4.0).label(_ohm("loop", "rail_top_ohm")))
    half = d.add(elm.Dot())
    d.push()
    d.add(elm.Resistor().down().label(_ohm("loop", "rail_bottom_ohm"), loc="top"))
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Line().right().at(half.center).length(2.2))
    d.add(elm.Dot(open=True).label("to the supply input", "right"))


def wiper(d: schemdraw.Drawing) -> None:
    """A potentiometer between the converter's reference and its ground, its wiper through a filter."""
    d.add(elm.Dot(open=True).label("reference", "left"))
    d.add(elm.Line().right().length(1.6))
    pot = d.add(elm.Potentiometer().down().label("potentiometer\n2 to 5 kΩ", loc="top", ofst=0.2))
    d.add(elm.Line().left().length(1.6))
    d.add(elm.Dot(open=True).label("analogue ground", "left"))
    d.add(elm.Resistor().right().at(pot.tap).label("1 kΩ"))
    node = d.add(elm.Dot())
    d.push()
    d.add(elm.Resistor().down().label("1 MΩ", loc="top"))
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Line().right().at(node.center).length(2.0))
    node2 = d.add(elm.Dot())
    d.push()
    d.add(elm.Capacitor().down().label("100 nF", loc="bottom"))
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Line().right().at(node2.center).length(0.9))
    d.add(elm.Dot(open=True).label("wiper input", "right"))


def encoder(d: schemdraw.Drawing) -> None:
    """One line of an encoder to its pin; the other is the same."""
    d.add(elm.Dot(open=True).label("encoder line A\n(B alike)", "left"))
    d.add(elm.Resistor().right().label("10 kΩ\nfrom 5 V; else 1 kΩ"))
    node = d.add(elm.Dot())
    d.push()
    d.add(elm.Resistor().down().label("18 kΩ from 5 V\n(push-pull only)", loc="top"))
    d.add(elm.Ground())
    d.pop()
    d.add(elm.Line().right().at(node.center).length(2.2))
    node2 = d.add(elm.Dot())
    d.push()
    d.add(elm.Capacitor().down().label("100 pF", loc="bottom"))
    d.add(elm.Ground())
    d.pop()
    d.push()
    d.add(elm.Resistor().up().at(node2.center).label("4.7 kΩ, open\ncollector only", loc="bottom"))
    d.add(elm.Vdd().label("3.3 V"))
    d.pop()
    d.add(elm.Line().right().at(node2.center).length(0.9))
    d.add(elm.Dot(open=True).label("input pin", "right"))


def power(d: schemdraw.Drawing) -> None:
    """Coil supply to the extend solenoid: stop, cutout, pedal, the key's two ways; and the pump's contactor."""
    d.add(elm.Dot(open=True).label("coil supply +", "left"))
    d.add(elm.Fuse().right().label("F1"))
    d.add(elm.Button(nc=True).right().label("emergency stop,\npower contact 1", loc="top", ofst=0.5))
    d.add(elm.Line().right().length(0.9))
    d.add(elm.Switch().right().label("over-force cutout:\ncontact of relay K5", loc="bottom", ofst=0.4))
    d.add(elm.Line().right().length(0.9))
    d.add(elm.Button().right().label("extend pedal,\nblock 2 NO", ofst=0.5))
    d.add(elm.Line().right().length(0.5))
    node = d.add(elm.Dot())
    d.add(elm.Line().up().at(node.center).length(1.9))
    d.add(elm.Line().right().length(0.8))
    d.add(elm.Switch().right().label("key on CONTROLLED"))
    d.add(elm.Line().right().length(1.8))
    relay = d.add(elm.Switch().right().label("contact of relay\nK1 or K3"))
    d.add(elm.Line().right().length(0.8))
    d.add(elm.Line().down().length(1.9))
    joined = d.add(elm.Dot())
    d.add(elm.Line().down().at(node.center).length(1.9))
    d.add(elm.Line().right().length(0.8))
    d.add(elm.Switch().right().label("key on PLAIN PEDALS"))
    d.add(elm.Line().right().tox(relay.start))
    d.add(elm.Button(nc=True).right().label("retract pedal,\nblock 2 NC", ofst=0.5))
    d.add(elm.Line().right().tox(joined.center))
    d.add(elm.Line().up().toy(joined.center))
    d.add(elm.Line().right().at(joined.center).length(2.4))
    top = d.add(elm.Dot())
    d.add(elm.Inductor2().down().label("solenoid", loc="top", ofst=0.1).length(3.6))
    low = d.add(elm.Dot())
    d.add(elm.Line().right().at(top.center).length(1.6))
    d.add(elm.Zener().down().length(1.8).label(_suppressor(), loc="bottom"))
    d.add(elm.Diode().down().reverse().length(1.8).label("diode 3 A 100 V,\nband to band", loc="bottom"))
    d.add(elm.Line().left().tox(low.center))
    d.add(elm.Line().down().at(low.center).length(0.5))
    d.add(elm.Dot(open=True).label("coil supply −", "bottom"))
    d.add(elm.Dot(open=True).at((0, -7)).label("control supply +", "left"))
    d.add(elm.Fuse().right().label("F2"))
    d.add(elm.Button(nc=True).right().label("emergency stop,\npower contact 2", loc="top", ofst=0.5))
    d.add(elm.Line().right().length(0.9))
    d.add(elm.Switch().right().label("over-force cutout:\ncontact of relay K5", loc="bottom", ofst=0.4))
    d.add(elm.Line().right().length(0.9))
    d.add(elm.Switch().right().label("motor stop, start\nand its own contact"))
    d.add(elm.Line().right().length(1.5))
    d.add(
        elm.Inductor2()
        .right()
        .label("pump's contactor: the stop and\nthe cutout drop the motor", loc="bottom", ofst=0.3)
    )
    d.add(elm.Line().right().length(0.5))
    d.add(elm.Dot(open=True).label("control supply −", "right"))


def _suppressor() -> str:
    return f"suppressor diode\n{_VALUES['solenoid']['suppressor_v']:g} V 600 W"


def drawings() -> dict[str, str]:
    out = {
        "wiring-pico.svg": wiring(pins_pico, "GP").svg(),
        "wiring-esp32.svg": wiring(pins_esp32, "IO").svg(),
    }
    for name in ("driver", "contact", "divider", "loop", "wiper", "encoder", "power"):
        out[f"circuit-{name}.svg"] = _small(name)
    return out
