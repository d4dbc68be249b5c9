"""The invented market: fifteen makers, what each believes in, and what it sells. Prices are of 2026, in euro, as sold (a pair, or each).

No maker, model or person here exists; names were chosen so that none could be taken for one that does.
"""

from __future__ import annotations

from typing import Any

from seed_data.model.design import Design, Setting, Voicing

PASSIVE = Voicing(evened_over_oct=1.0)
MASS_MARKET = Voicing(treble_db=1.2, warmth_db=2.0, step_left=0.3, evened_over_oct=1.6)
DIGITAL = Voicing(tilt_db_per_octave=-0.1, evened_over_oct=0.3)
CAREFUL = Voicing(tilt_db_per_octave=-0.15, evened_over_oct=0.7)
CHARACTER = Voicing(treble_db=2.0, presence_db=-3.0, warmth_db=1.5, evened_over_oct=1.5)
FORWARD = Voicing(presence_db=2.0, treble_db=0.5, step_left=0.2, evened_over_oct=1.4)
CLASSIC = Voicing(presence_db=-2.0, warmth_db=1.0, evened_over_oct=1.2)
SINGLE_CONE = Voicing(presence_db=2.0, treble_db=-2.0, step_left=0.25, evened_over_oct=2.0)

DESK = Setting("desk", {"low_shelf_db": -1.0, "desk_filter_db": -3.0}, low_shelf=(120.0, -1.0), bell=(170.0, 1.2, -3.0))
WALL = Setting("wall", {"low_shelf_db": -4.0, "desk_filter_db": 0.0}, low_shelf=(220.0, -4.0))
PLAIN_MONITOR = Setting("plain", {"low_shelf_db": 0.0, "desk_filter_db": 0.0})
MONITOR_SETTINGS = (PLAIN_MONITOR, DESK, WALL)
PARTY = Setting("party", {"mode": "party"}, low_shelf=(140.0, 6.0), high_shelf=(6000.0, 2.0))
NIGHT = Setting("night", {"mode": "night"}, low_shelf=(180.0, -8.0))
STANDARD = Setting("plain", {"mode": "standard"})
PLUGGED = Setting("plugged", {"port": "plugged"}, closes_port=True)
OPEN = Setting("open", {"port": "open"})


def _alder_fen() -> list[Design]:
    """The house at the edge of town: passive, a little dark, fairly priced."""
    m = "Alder Fen"
    return [
        Design(m, "Sill 4", "bookshelf", 2021, 420, (270, 165, 210), 10.5, 66, voicing=CLASSIC, care=0.6, xmax_mm=3.5),
        Design(m, "Sill 5", "standmount", 2022, 640, (330, 190, 270), 13.2, 52, voicing=CLASSIC, care=0.65,
               settings=(OPEN, PLUGGED), claim=(106, True, 1.0)),
        Design(m, "Sill 6", "standmount", 2022, 890, (380, 215, 310), 15.0, 44, voicing=CLASSIC, care=0.65, xmax_mm=5.0),
        Design(m, "Sill 8 Tall", "floorstander", 2023, 1900, (980, 220, 310), 13.2, 36, layout="two-and-a-half-way",
               woofers=2, voicing=CLASSIC, care=0.7, xmax_mm=5.0),
        Design(m, "Sill Across", "centre", 2022, 380, (180, 480, 240), 12.0, 62, layout="tweeter between", woofers=2,
               voicing=CLASSIC, care=0.6, sold="each"),
    ]  # fmt: skip


def _brackwater() -> list[Design]:
    """Big boxes for bass, on a budget."""
    m = "Brackwater"
    return [
        Design(m, "Weir 1", "bookshelf", 2018, 300, (340, 200, 260), 13.2, 50, voicing=MASS_MARKET, care=0.4,
               alignment="boomy", order=2),
        Design(m, "Weir 2", "floorstander", 2018, 540, (900, 200, 280), 13.2, 40, layout="two-and-a-half-way", woofers=2,
               voicing=MASS_MARKET, care=0.4, alignment="boomy", order=2, claim=(118, True, 1.0)),
        Design(m, "Weir 3", "floorstander", 2019, 780, (1050, 230, 340), 16.5, 34, layout="three-way", woofers=2, mid_cm=12.0,
               crossover_hz=(350.0, 2800.0), voicing=MASS_MARKET, care=0.5, order=2, xmax_mm=5.0),
        Design(m, "Penstock", "floorstander", 2024, 1150, (1020, 240, 360), 18.0, 30, layout="three-way", woofers=2,
               mid_cm=12.0, crossover_hz=(320.0, 2600.0), voicing=PASSIVE, care=0.75, xmax_mm=6.0),
        Design(m, "Culvert 10", "subwoofer", 2020, 560, (380, 340, 380), 21.0, 26, enclosure="sealed", powered=True,
               limit_db=104, sold="each", xmax_mm=9.0, voicing=DIGITAL),
        Design(m, "Culvert 12", "subwoofer", 2020, 820, (450, 400, 450), 25.5, 21, powered=True, limit_db=108, sold="each",
               xmax_mm=11.0, voicing=DIGITAL),
    ]  # fmt: skip


def _cobblehurst() -> list[Design]:
    """Sold beside the kettles."""
    m = "Cobblehurst"
    return [
        Design(m, "Nook", "bookshelf", 2019, 120, (240, 150, 180), 10.5, 78, voicing=MASS_MARKET, care=0.2, order=2,
               crossover_hz=(3500.0,), tweeter_mm=20, xmax_mm=2.5, alignment="boomy"),
        Design(m, "Nook Tall", "floorstander", 2019, 240, (850, 180, 240), 13.0, 48, layout="two-and-a-half-way", woofers=2,
               voicing=MASS_MARKET, care=0.2, order=2, crossover_hz=(3200.0,), alignment="boomy", xmax_mm=3.0),
        Design(m, "Nook Bar", "soundbar", 2021, 190, (62, 880, 85), 5.0, 110, woofers=4, powered=True, care=0.3, limit_db=96,
               voicing=MASS_MARKET, tweeter_mm=19, crossover_hz=(3800.0,), sold="each", settings=(STANDARD, NIGHT),
               box_hz=150.0, xmax_mm=3.0),
        Design(m, "Pantry", "portable", 2022, 60, (95, 180, 80), 5.0, 105, layout="full-range", powered=True, care=0.2,
               limit_db=92, voicing=MASS_MARKET, sold="each", box_hz=150.0, xmax_mm=2.5),
        Design(m, "Larder", "portable", 2023, 150, (150, 290, 140), 7.6, 74, layout="full-range", woofers=1, powered=True,
               care=0.35, limit_db=97, voicing=MASS_MARKET, sold="each", box_hz=110.0, xmax_mm=4.0,
               settings=(STANDARD, PARTY), claim=(112, False, 0.3)),
    ]  # fmt: skip


def _dunnock_yard() -> list[Design]:
    """Workshop monitors: waveguides, digital filters, plain cabinets."""
    m = "Dunnock Yard"
    guide: dict[str, Any] = {
        "coverage_deg": 100.0,
        "mouth_cm": 13.0,
        "powered": True,
        "kind": "monitor",
        "settings": MONITOR_SETTINGS,
    }
    return [
        Design(m, "Bradawl 4", year=2023, price=420, size_mm=(250, 160, 200), woofer_cm=10.5, bass_hz=60, box_hz=72.0,
               voicing=Voicing(treble_db=2.0, evened_over_oct=0.5), care=0.65, limit_db=101, crossover_hz=(2300.0,), **guide),
        Design(m, "Bradawl 5", year=2023, price=480, size_mm=(300, 190, 240), woofer_cm=13.2, bass_hz=42, box_hz=54.0,
               voicing=DIGITAL, care=0.85, limit_db=105, crossover_hz=(2000.0,), xmax_mm=5.5, **guide),
        Design(m, "Bradawl 7", year=2023, price=980, size_mm=(370, 235, 290), woofer_cm=16.5, bass_hz=38, box_hz=46.0,
               voicing=DIGITAL, care=0.85, limit_db=109, crossover_hz=(1800.0,), xmax_mm=6.5, claim=(112, False, 1.0), **guide),
        Design(m, "Bradawl 8", year=2020, price=1250, size_mm=(420, 260, 320), woofer_cm=18.5, bass_hz=36, box_hz=42.0,
               voicing=Voicing(tilt_db_per_octave=0.2, evened_over_oct=0.5), care=0.6, limit_db=111, crossover_hz=(1900.0,),
               xmax_mm=6.5, **guide),
        Design(m, "Treenail", year=2016, price=260, size_mm=(230, 150, 190), woofer_cm=10.0, bass_hz=70,
               voicing=Voicing(treble_db=1.5, evened_over_oct=1.0), care=0.4, limit_db=98, powered=True, kind="monitor",
               settings=MONITOR_SETTINGS, crossover_hz=(3000.0,), order=2),
    ]  # fmt: skip


def _gannetmoor() -> list[Design]:
    """Coaxial drivers only."""
    m = "Gannetmoor"
    return [
        Design(m, "Gimlet", "bookshelf", 2022, 980, (290, 180, 260), 13.0, 56, layout="coaxial two-way", coverage_deg=90.0,
               mouth_cm=12.0, crossover_hz=(2400.0,), voicing=CAREFUL, care=0.75),
        Design(m, "Adze", "standmount", 2023, 1350, (350, 210, 310), 16.0, 46, layout="coaxial two-way", coverage_deg=90.0,
               mouth_cm=15.0, crossover_hz=(2100.0,), voicing=CAREFUL, care=0.8, xmax_mm=5.0, claim=(108, True, 1.0)),
        Design(m, "Mattock", "floorstander", 2023, 3200, (1050, 215, 320), 15.0, 34, layout="coaxial three-way", woofers=2,
               mid_cm=13.0, coverage_deg=90.0, mouth_cm=12.0, crossover_hz=(380.0, 2400.0), voicing=CAREFUL, care=0.85,
               xmax_mm=6.0),
        Design(m, "Gimlet Desk", "monitor", 2024, 690, (240, 170, 220), 11.5, 52, layout="coaxial two-way", powered=True,
               coverage_deg=95.0, mouth_cm=10.5, crossover_hz=(2600.0,), voicing=DIGITAL, care=0.8, box_hz=66.0, limit_db=101,
               settings=MONITOR_SETTINGS, xmax_mm=5.0),
        Design(m, "Gimlet Across", "centre", 2022, 560, (200, 500, 260), 13.0, 54, layout="coaxial three-way", woofers=2,
               mid_cm=12.0, coverage_deg=90.0, mouth_cm=11.0, crossover_hz=(400.0, 2500.0), voicing=CAREFUL, care=0.75,
               sold="each"),
    ]  # fmt: skip


def _hollin_tarn() -> list[Design]:
    """Small, exquisite, costly; the response is the owner's taste."""
    m = "Hollin Tarn"
    return [
        Design(m, "Thimble", "bookshelf", 2015, 2900, (280, 180, 230), 11.5, 70, enclosure="sealed", voicing=CHARACTER,
               care=0.6, ohm=8.0, heavy=1.4),
        Design(m, "Spindle", "standmount", 2017, 4600, (350, 210, 300), 13.5, 54, voicing=CHARACTER, care=0.55, order=2,
               ohm=8.0, heavy=1.5),
        Design(m, "Distaff", "floorstander", 2019, 7800, (1020, 230, 360), 16.0, 36, layout="three-way", woofers=1,
               mid_cm=13.0, crossover_hz=(300.0, 2900.0), voicing=CHARACTER, care=0.6, order=2, heavy=1.5, xmax_mm=5.0),
        Design(m, "Bodkin", "bookshelf", 2024, 3900, (300, 185, 250), 12.5, 62, voicing=CHARACTER, care=0.65, order=3,
               ohm=8.0, heavy=1.5),
    ]  # fmt: skip


def _inkle_mill() -> list[Design]:
    """Handsome objects for the living room."""
    m = "Inkle Mill"
    return [
        Design(m, "Bobbin", "portable", 2021, 240, (190, 120, 120), 8.5, 72, layout="full-range", powered=True, care=0.5,
               limit_db=98, voicing=Voicing(evened_over_oct=0.6), sold="each", box_hz=100.0, xmax_mm=5.0,
               settings=(STANDARD, PARTY)),
        Design(m, "Treadle", "other", 2022, 720, (210, 420, 200), 13.0, 48, powered=True, woofers=1, care=0.6, limit_db=103,
               voicing=Voicing(treble_db=1.0, evened_over_oct=0.5), sold="each", box_hz=62.0, xmax_mm=6.0),
        Design(m, "Heddle Bar", "soundbar", 2023, 640, (75, 1050, 110), 6.5, 66, woofers=4, powered=True, care=0.55,
               limit_db=101, voicing=Voicing(evened_over_oct=0.5), tweeter_mm=19, crossover_hz=(3200.0,), sold="each",
               settings=(STANDARD, NIGHT), box_hz=95.0, xmax_mm=5.0),
        Design(m, "Selvedge", "floorstander", 2023, 2400, (960, 180, 260), 12.5, 42, layout="two-and-a-half-way", woofers=2,
               powered=True, care=0.6, limit_db=107, voicing=Voicing(treble_db=1.2, evened_over_oct=0.8), xmax_mm=5.0,
               box_hz=50.0),
    ]  # fmt: skip


def _hod_and_trowel() -> list[Design]:
    """Kits for people with a saw."""
    m = "Hod & Trowel"
    return [
        Design(m, "Pail", "bookshelf", 2020, 160, (300, 190, 240), 11.0, 60, layout="full-range", voicing=SINGLE_CONE,
               care=0.45, xmax_mm=3.5, ohm=8.0),
        Design(m, "Pail+", "standmount", 2022, 340, (360, 205, 290), 13.2, 43, voicing=Voicing(tilt_db_per_octave=-0.2, evened_over_oct=0.7), care=0.85,
               xmax_mm=5.0,
               crossover_hz=(2100.0,), coverage_deg=110.0, mouth_cm=11.0),
        Design(m, "Hawk Board", "floorstander", 2021, 590, (950, 210, 300), 15.0, 36, layout="two-way", voicing=PASSIVE,
               care=0.65, xmax_mm=6.0, crossover_hz=(2200.0,), alignment="low"),
        Design(m, "Dibber", "subwoofer", 2021, 310, (400, 360, 400), 24.0, 30, powered=True, limit_db=103, sold="each",
               xmax_mm=8.0, voicing=DIGITAL, enclosure="sealed"),
    ]  # fmt: skip


def _kittlewick() -> list[Design]:
    """The middle of the shop window."""
    m = "Kittlewick"
    return [
        Design(m, "Lintel 1", "bookshelf", 2017, 260, (280, 175, 230), 12.0, 60, voicing=FORWARD, care=0.5, order=3),
        Design(m, "Lintel 1 mk II", "bookshelf", 2023, 310, (285, 175, 235), 12.0, 58, voicing=PASSIVE, care=0.65),
        Design(m, "Lintel 2", "standmount", 2017, 480, (350, 200, 270), 14.0, 50, voicing=FORWARD, care=0.5, order=3),
        Design(m, "Lintel 3", "floorstander", 2018, 950, (920, 200, 290), 14.0, 40, layout="two-and-a-half-way", woofers=2,
               voicing=FORWARD, care=0.55, order=3),
        Design(m, "Lintel 5", "floorstander", 2018, 1600, (1060, 210, 330), 15.0, 34, layout="three-way", woofers=3,
               mid_cm=13.0, crossover_hz=(400.0, 2800.0), voicing=FORWARD, care=0.55, order=3, xmax_mm=5.0,
               claim=(114, True, 1.0)),
        Design(m, "Transom", "centre", 2018, 290, (170, 440, 220), 11.0, 70, layout="tweeter between", woofers=2,
               voicing=FORWARD, care=0.5, order=3, sold="each"),
    ]  # fmt: skip


def _larchbeck() -> list[Design]:
    """Digital, large, dear, and measured by the maker as well."""
    m = "Larchbeck"
    guide: dict[str, Any] = {
        "coverage_deg": 90.0,
        "mouth_cm": 18.0,
        "powered": True,
        "settings": MONITOR_SETTINGS,
        "edge_mm": 25.0,
    }
    return [
        Design(m, "Purlin", "monitor", 2019, 2200, (320, 200, 250), 14.5, 42, box_hz=52.0, voicing=DIGITAL, care=0.9,
               limit_db=107, crossover_hz=(1900.0,), xmax_mm=6.0, claim=(110, False, 1.0), **guide),
        Design(m, "Rafter", "monitor", 2021, 4200, (520, 300, 340), 20.0, 32, box_hz=38.0, layout="three-way", mid_cm=12.0,
               crossover_hz=(450.0, 2300.0), voicing=DIGITAL, care=0.92, limit_db=113, xmax_mm=8.0, **guide),
        Design(m, "Ridge", "floorstander", 2022, 8900, (1100, 280, 400), 21.0, 27, box_hz=32.0, layout="three-way", woofers=2,
               mid_cm=14.0, crossover_hz=(350.0, 1900.0), voicing=DIGITAL, care=0.92, limit_db=115, xmax_mm=9.0, **guide),
        Design(m, "Batten", "monitor", 2024, 1500, (280, 180, 220), 12.5, 50, box_hz=62.0, voicing=DIGITAL, care=0.85,
               limit_db=104, crossover_hz=(2200.0,), xmax_mm=5.0, **guide),
    ]  # fmt: skip


def _mossgarth() -> list[Design]:
    """Furniture of consequence."""
    m = "Mossgarth"
    return [
        Design(m, "Baluster", "floorstander", 2016, 5400, (1120, 260, 420), 18.0, 31, layout="three-way", woofers=2,
               mid_cm=14.0, crossover_hz=(300.0, 3000.0), voicing=CHARACTER, care=0.5, order=2, heavy=1.4, xmax_mm=6.0),
        Design(m, "Newel", "floorstander", 2020, 12500, (1250, 300, 480), 21.0, 27, layout="three-way", woofers=2,
               mid_cm=15.0, crossover_hz=(280.0, 2800.0), voicing=CLASSIC, care=0.6, heavy=1.6, xmax_mm=7.0),
        Design(m, "Corbel", "standmount", 2018, 2900, (400, 230, 340), 16.0, 42, voicing=FORWARD, care=0.55, order=2,
               heavy=1.4, xmax_mm=5.0, claim=(125, True, 1.0)),
        Design(m, "Finial", "bookshelf", 2022, 2200, (320, 200, 280), 13.5, 55, voicing=CHARACTER, care=0.6, order=2,
               heavy=1.3),
    ]  # fmt: skip


def _pennywort() -> list[Design]:
    """Small things that run on batteries or stand on desks."""
    m = "Pennywort"
    return [
        Design(m, "Knapsack", "portable", 2022, 330, (220, 340, 170), 10.0, 60, powered=True, care=0.45, limit_db=102,
               voicing=Voicing(treble_db=1.5, warmth_db=1.5, evened_over_oct=0.6), sold="each", box_hz=84.0, xmax_mm=6.0,
               tweeter_mm=20, crossover_hz=(3000.0,), settings=(STANDARD, PARTY)),
        Design(m, "Creel", "portable", 2024, 130, (110, 210, 95), 6.2, 84, layout="full-range", powered=True, care=0.45,
               limit_db=94, voicing=Voicing(evened_over_oct=0.6), sold="each", box_hz=120.0, xmax_mm=4.0),
        Design(m, "Tuppence", "monitor", 2021, 110, (200, 125, 160), 8.5, 86, powered=True, care=0.3, limit_db=94,
               voicing=MASS_MARKET, order=2, crossover_hz=(3800.0,), tweeter_mm=19, xmax_mm=3.0),
        Design(m, "Threepence", "monitor", 2024, 190, (230, 145, 185), 10.0, 58, powered=True, care=0.8, limit_db=98,
               voicing=DIGITAL, crossover_hz=(2600.0,), tweeter_mm=22, box_hz=78.0, xmax_mm=4.5, coverage_deg=110.0,
               mouth_cm=9.0, settings=(PLAIN_MONITOR, DESK)),
        Design(m, "Sixpence", "other", 2020, 230, (160, 300, 150), 8.0, 76, powered=True, care=0.4, limit_db=98,
               voicing=MASS_MARKET, sold="each", tweeter_mm=20, crossover_hz=(3500.0,), box_hz=95.0, claim=(120, False, 1.0)),
    ]  # fmt: skip


def _tornskar() -> list[Design]:
    """Pale wood, wide sound."""
    m = "Törnskär"
    return [
        Design(m, "Skrin", "bookshelf", 2019, 560, (290, 180, 240), 12.5, 58, voicing=Voicing(treble_db=0.8), care=0.65,
               crossover_hz=(2800.0,), order=3),
        Design(m, "Skåp", "floorstander", 2019, 1750, (940, 190, 300), 14.0, 38, layout="two-and-a-half-way", woofers=2,
               voicing=Voicing(treble_db=0.8), care=0.65, crossover_hz=(2600.0,), order=3, xmax_mm=5.0),
        Design(m, "Hylla", "standmount", 2024, 1600, (340, 195, 290), 13.5, 47, voicing=Voicing(treble_db=0.5, evened_over_oct=0.8),
               care=0.75, crossover_hz=(2300.0,), xmax_mm=5.0, edge_mm=20.0),
        Design(m, "Kista", "subwoofer", 2022, 690, (360, 360, 360), 22.0, 24, powered=True, limit_db=105, sold="each",
               xmax_mm=10.0, voicing=DIGITAL, enclosure="sealed"),
    ]  # fmt: skip


def _rushbarrow() -> list[Design]:
    """Built in, or put out of doors."""
    m = "Rushbarrow"
    return [
        Design(m, "Alcove 6", "in-wall", 2020, 420, (330, 220, 95), 14.0, 58, enclosure="sealed", voicing=PASSIVE, care=0.55,
               ohm=8.0),
        Design(m, "Alcove 8", "in-wall", 2021, 760, (400, 260, 100), 17.5, 46, enclosure="sealed", voicing=CAREFUL, care=0.65,
               ohm=8.0, xmax_mm=6.0),
        Design(m, "Hedge", "other", 2021, 350, (300, 210, 220), 13.0, 66, enclosure="sealed", voicing=FORWARD, care=0.4,
               order=2, ohm=8.0),
        Design(m, "Lych", "other", 2023, 1900, (900, 160, 200), 10.0, 60, layout="tweeter between", woofers=2,
               voicing=PASSIVE, care=0.6, crossover_hz=(2700.0,)),
    ]  # fmt: skip


def _suishagoya() -> list[Design]:
    """A one-man workshop far away; its name has no Latin letters, so its models carry a slug."""
    m = "水車小屋"
    return [
        Design(m, "ささら", "standmount", 2021, 2300, (420, 240, 330), 16.0, 48, layout="full-range", voicing=SINGLE_CONE,
               care=0.6, ohm=8.0, heavy=1.3, slug="suishagoya-sasara"),
        Design(m, "つづみ", "bookshelf", 2023, 1900, (300, 190, 250), 12.0, 58, layout="coaxial two-way", coverage_deg=95.0,
               mouth_cm=11.0, crossover_hz=(2600.0,), voicing=PASSIVE, care=0.7, ohm=8.0, heavy=1.3, slug="suishagoya-tsuzumi"),
    ]  # fmt: skip


def catalogue() -> list[Design]:
    """Every model, maker by maker."""
    makers = (
        _alder_fen, _brackwater, _cobblehurst, _dunnock_yard, _gannetmoor, _hod_and_trowel, _hollin_tarn, _inkle_mill,
        _kittlewick, _larchbeck, _mossgarth, _pennywort, _rushbarrow, _suishagoya, _tornskar,
    )  # fmt: skip
    return [design for maker in makers for design in maker()]
