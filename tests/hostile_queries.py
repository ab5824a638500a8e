"""Query strings that nobody means well with; every one of them has something wrong in it."""

import random
from collections.abc import Iterator
from urllib.parse import quote, quote_plus

NOT_NUMBERS = (
    "nan", "NaN", "inf", "-inf", "1e400", "1_000", "", " ", "1,5", "0x1f", "ten", "--1", "+-1",
    "1 2", "%00", "\x00", "\uff11", "1e", "e5", ".", "NULL", "None", "true", "[1]", "{}", "1;2",
    "' OR 1=1 --", "<script>alert(1)</script>", "${7*7}", "{{7*7}}", "../../etc/passwd", "\ud7ff",
    "\U0001f52d", "9" * 400, "A" * 3000, "1\r\nSet-Cookie: a=b", "&#0;", "]]>",
)  # fmt: skip
NOT_REGIONS = (
    "circle", "circle 1 2", "circle 1 2 nan", "circle 1 2 3 4", "circle 400 0 1", "circle 0 91 1",
    "circle 1 1 181", "range 1 2 3", "range 1 2 9 3", "range nan 1 2 3", "polygon", "polygon 1 2",
    "polygon 1 2 3", "polygon 0 0 180 0 90 0", "polygon 1 1 1 1 1 1", "polygon 0 0 nan 1 2 2",
    "constellation", "constellation Xyz", "constellation " + "Q" * 500, "moc", "moc /etc/passwd",
    "moc ../../current", "moc 30/1", "moc 0/12", "moc 3/5-1", "moc 3/ ", "moc t61/1", "moc 2/1 1/1",
    "moc https://example.org/m.fits", "all all", "all 1", "disc 1 2 3", "\u0000", ",,,,",
    "circle 1_0 1 1", "circle " + "1 " * 3000, "moc 0/" + "9" * 3000, "circle\u00a01\u00a02",
)  # fmt: skip
BAD_WORDS = ("", " ", "xml", "json,csv", "json json", "../json", "\x00", "J" * 5000, "sure;drop")
UNKNOWN = ("sr", "RA", "sreies", "__proto__", "region[]", "", " ra", "ra ", "constructor", "\x00",
           "callback", "debug", "limit", "x" * 2000, "<b>", "%", "\u202e", "since")  # fmt: skip

_BAD = {
    "ra": (*NOT_NUMBERS, "-0.1", "360.5", "1e9"),
    "dec": (*NOT_NUMBERS, "91", "-90.0001"),
    "radius": (*NOT_NUMBERS, "-1", "180.1", "-1e-300"),
    "min_exposure": (*NOT_NUMBERS, "-5"),
    "max_exposure": (*NOT_NUMBERS, "-5"),
    "region": NOT_REGIONS,
    "series": ("", "ZZZ", "QN,ZZZ", ",", "*", "A" * 3000, "' OR 1=1 --", "\x00", "%s%s%n"),
    "station": ("", "nowhere", "../mill"),
    "technique": ("", "magic"),
    "status": ("", "on fire"),
    "condition": ("", "perfect"),
    "scanned": ("", "maybe", "1"),
    "undated": ("", "perhaps", "yes,no"),
    "observer": ("", "O" * 2000),
    "from": ("", "18", "1898-13", "1898-02-30", "1898-3-4", "nan", "yesterday", "-1898", "18980304",
             "\u0661\u0662\u0663\u0664"),
    "to": ("", "99999", "1898-00", "1898-01-32", "1898-01-01T00:00"),
}  # fmt: skip
_ROWS = {
    **_BAD,
    "certainty": ("", "perhaps", "sure,unsure"),
    "format": BAD_WORDS,
}
_PLACE = ("ra", "dec", "radius", "region")
_FILTERS = {name: bad for name, bad in _BAD.items() if name not in _PLACE}
_PATHS: dict[str, dict[str, tuple[str, ...]]] = {
    "/api/exposures": {**_ROWS, "maxrec": (*NOT_NUMBERS, "-1", "1.5", "1e3", "99999999999")},
    "/api/epochs": {**_ROWS, "bin": ("", "0", "-1", "nan", "inf", "1_0", "century", "1.5", "1e9")},
    "/api/map": {
        **_FILTERS,
        "order": (*NOT_NUMBERS, "30", "-1", "10", "1.5", "1e1"),
        "show": (*BAD_WORDS, "deepest!", "PLATES;"),
        "format": BAD_WORDS,
    },
    "/api/moc": {
        **_FILTERS,
        "order": (*NOT_NUMBERS, "30", "-1", "29", "1.5"),
        "format": BAD_WORDS,
    },
}  # fmt: skip
_GOOD = {
    "ra": "10", "dec": "20", "radius": "1", "region": "all", "min_exposure": "5",
    "max_exposure": "90", "series": "QN", "station": "mill", "technique": "direct",
    "status": "unknown", "condition": "intact", "scanned": "yes", "undated": "no",
    "observer": "Fenn", "from": "1900", "to": "1910-06", "certainty": "sure", "format": "json",
    "maxrec": "5", "bin": "10", "order": "3", "show": "plates",
}  # fmt: skip


def hostile_api_queries(count: int, seed: int) -> Iterator[str]:
    """Paths under /api/ with a query; each has at least one bad, unknown or doubled parameter."""
    rng = random.Random(seed)
    for _ in range(count):
        path = rng.choice(list(_PATHS))
        known = _PATHS[path]
        names = rng.sample(sorted(known), rng.randint(0, 3))
        pairs = [(name, _GOOD[name]) for name in names]
        kind = rng.random()
        if kind < 0.65:
            name = rng.choice(sorted(known))
            pairs = [pair for pair in pairs if pair[0] != name]
            pairs.append((name, rng.choice(known[name])))
        elif kind < 0.85:
            pairs.append((rng.choice(UNKNOWN), rng.choice(NOT_NUMBERS)))
        else:
            single = rng.choice(sorted({"format", "from", "to", "observer", "undated"}))
            pairs += [(single, _GOOD[single])] * 2
        rng.shuffle(pairs)
        yield f"{path}?{_joined(rng, pairs)}"


def hostile_cone_queries(count: int, seed: int) -> Iterator[str]:
    """Paths of /cone with a query; RA, DEC or SR is missing, doubled or bad in each."""
    rng = random.Random(seed)
    for _ in range(count):
        good = {"RA": "10", "DEC": "-20", "SR": "1"}
        name = rng.choice(sorted(good))
        bad = {"RA": _BAD["ra"], "DEC": _BAD["dec"], "SR": _BAD["radius"]}[name]
        kind = rng.random()
        pairs = [pair for pair in good.items() if pair[0] != name]
        if kind < 0.7:
            pairs.append((rng.choice([name, name.lower(), name.title()]), rng.choice(bad)))
        elif kind < 0.8:
            pairs += [(name, good[name]), (name.lower(), good[name])]
        elif kind < 0.9:
            pairs += [(name, good[name]), ("MAXREC", rng.choice((*NOT_NUMBERS, "-1", "1.5")))]
        pairs.append((rng.choice(UNKNOWN), rng.choice(NOT_NUMBERS)))
        rng.shuffle(pairs)
        yield f"/cone?{_joined(rng, pairs)}"


def _joined(rng: random.Random, pairs: list[tuple[str, str]]) -> str:
    """A query string in one of the spellings that arrive; now and then with rubbish between."""
    escape = rng.choice([quote, quote_plus])
    parts = [f"{escape(name, safe='')}={escape(value, safe='')}" for name, value in pairs]
    if rng.random() < 0.2:
        parts.insert(rng.randrange(len(parts) + 1), "")  # `a=b&&c=d`
    return "&".join(parts)
