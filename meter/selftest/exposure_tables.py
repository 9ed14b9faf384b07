"""Tables and worked examples of noise exposure as their sources print them, misprints named one by one."""

from __future__ import annotations

from dataclasses import dataclass

from dsp.exposure.exposure import Rule
from meter.selftest.checks import CLOSED_FORM, FROM_MEMORY, OWN_CASE, PRINTED, Source

NIOSH = Rule("NIOSH 98-126", 85.0, 8.0, "day", 3.0, 80.0)
OSHA_80 = Rule("1910.95, hearing conservation", 90.0, 8.0, "day", 5.0, 80.0)
OSHA_90 = Rule("1910.95, compliance", 90.0, 8.0, "day", 5.0, 90.0)
ADULTS = Rule("H.870, adults", 80.0, 40.0, "week")
ADULTS_HALVED = Rule("H.870, adults, as usually tabled", 80.0, 40.0, "week", 3.0)
SENSITIVE = Rule("H.870, sensitive", 75.0, 40.0, "week")

NIOSH_SOURCE = Source("NIOSH 98-126 (1998)", PRINTED, "a reference site's copy and a research note")
OSHA_SOURCE = Source("29 CFR 1910.95", PRINTED, "the regulator's page and a research note")
EU_SOURCE = Source("Directive 2003/10/EC, Article 3", PRINTED, "the English text")
H870_SOURCE = Source("ITU-T H.870 (03/2022)", CLOSED_FORM, "summaries of the ITU")
ISO_SOURCE = Source("ISO 9612:2009", PRINTED, "a transcription in an acoustics library")
L108_SOURCE = Source("British guidance L108, Appendix 3", PRINTED, "a validation note")
MANUAL = Source("technical manual III-5", PRINTED, "a validation note")
RECKONER = Source("weekly noise reckoner, 2020", PRINTED, "the regulator's sheet")
MUSIC_GUIDANCE = Source("British guidance for music, equal exposures", PRINTED, "a quotation")
IEC_61252 = Source("IEC 61252 (from memory), arithmetic", FROM_MEMORY)
OWN = Source("formulae of NIOSH 98-126, ISO 1999 and 1910.95; mixed case of our own, not printed anywhere", OWN_CASE)
PRINTED_TWA = (50, 91, 100)
"""Doses in per cent whose level the text of 1910.95 or its notes print; the other rows come from its formula."""


@dataclass(frozen=True)
class Misprint:
    """A printed value that its own document's formula contradicts; the check goes by ``correct``."""

    name: str
    source: Source
    printed: float
    correct: float
    unit: str
    plus_minus: float


# Table 1-1 as printed; 99 dB(A) is in MISPRINTS. Some rows are rounded and some cut off, hence one printed unit.
NIOSH_TABLE_1_1 = """
80 25h24m  81 20h10m  82 16h      83 12h42m  84 10h5m   85 8h      86 6h21m   87 5h2m    88 4h     89 3h10m
90 2h31m   91 2h      92 1h35m    93 1h16m   94 1h      95 47m37s  96 37m48s  97 30m     98 23m49s 100 15m
101 11m54s 102 9m27s  103 7m30s   104 5m57s  105 4m43s  106 3m45s  107 2m59s  108 2m22s  109 1m53s 110 1m29s
111 1m11s  112 56s    113 45s     114 35s    115 28s    116 22s    117 18s    118 14s    119 11s   120 9s
121 7s     122 6s     123 4s      124 3s     125 3s     126 2s     127 1s     128 1s     129 1s    130 0s
"""
NIOSH_EXACT_HOURS: dict[float, float] = {
    82: 16.0,
    88: 4.0,
    91: 2.0,
    94: 1.0,
    97: 0.5,
    100: 0.25,
    103: 0.125,
    106: 0.0625,
    112: 0.015625,
    115: 0.0078125,
}

OSHA_TABLE_G16: dict[float, float] = {
    90: 8.0,
    92: 6.0,
    95: 4.0,
    97: 3.0,
    100: 2.0,
    102: 1.5,
    105: 1.0,
    110: 0.5,
    115: 0.25,
}
OSHA_HALF_HOURS = (92, 97, 102)
"""These rows of Table G-16 are printed to the half hour (formula: 6.06, 3.03, 1.52 h); the others are exact."""
OSHA_TABLE_G16A = """
32 27.9 24.3 21.1 18.4 16 13.9 12.1 10.6 9.2
8 7.0 6.1 5.3 4.6 4 3.5 3.0 2.6 2.3
2 1.7 1.5 1.3 1.1 1 0.87 0.76 0.66 0.57
0.5 0.44 0.38 0.33 0.29 0.25 0.22 0.19 0.16 0.14
0.125 0.11 0.095 0.082 0.072 0.063 0.054 0.047 0.041 0.036
0.031
"""
"""Hours from 80 to 130 dB(A). At 83 dB(A) another page of the same regulator prints 21.2 (formula: 21.11)."""

OSHA_DOSE_TO_TWA: dict[float, float] = {
    10: 73.4, 25: 80.0, 50: 85.0, 75: 87.9, 91: 89.3, 100: 90.0, 150: 92.9, 200: 95.0, 300: 97.9, 400: 100.0,
    500: 101.6, 600: 102.9, 800: 105.0, 999: 106.6,
}  # fmt: skip
OSHA_LONG_SHIFTS: dict[float, float] = {8: 85.0, 9: 84.2, 10: 83.4, 12: 82.1, 16: 80.0}

H870_ADULTS_HALVED: dict[float, float] = {
    80: 40.0,
    83: 20.0,
    86: 10.0,
    89: 5.0,
    92: 2.5,
    95: 1.25,
    98: 0.625,
    101: 0.3125,
    104: 0.15625,
}
H870_ADULTS_EXACT: dict[float, float] = {
    75: 126.49,
    80: 40.0,
    83: 20.05,
    86: 10.05,
    89: 5.04,
    92: 2.524,
    95: 1.265,
    98: 0.634,
    101: 0.3177,
    104: 0.1592,
    110: 0.0400,
}
H870_SENSITIVE_EXACT: dict[float, float] = {
    75: 40.0, 80: 12.65, 83: 6.34, 86: 3.18, 89: 1.59, 92: 0.798, 95: 0.400, 98: 0.2005, 101: 0.1005,
    104: 0.0504, 110: 0.01265,
}  # fmt: skip

SOUND_EXPOSURES_PA2H = [
    (80.0, 8.0, 0.320), (80.0, 40.0, 1.600), (85.0, 8.0, 1.0119), (87.0, 8.0, 1.6038), (90.0, 8.0, 3.200),
    (94.0, 1.0, 1.0048), (100.0, 1.0, 4.000),
]  # fmt: skip

WEEKLY_RECKONER: dict[float, float] = {
    95: 1000, 94: 790, 93: 630, 92: 500, 91: 400, 90: 315, 89: 250, 88: 200, 87: 160, 86: 125, 85: 100, 84: 80,
    82: 50, 81: 40, 80: 32, 78: 20,
}  # fmt: skip
"""Points of an 8-hour day; 83 and 79 dB are in MISPRINTS."""

EQUAL_EXPOSURES = [
    (80.0, 80.0, 8.0), (80.0, 83.0, 4.0), (80.0, 86.0, 2.0), (80.0, 89.0, 1.0), (80.0, 92.0, 0.5),
    (85.0, 88.0, 4.0), (85.0, 94.0, 1.0), (85.0, 105.0, 5.0 / 60.0),
]  # fmt: skip

# Levels and hours; NIOSH dose and TWA, LEX,8h, OSHA dose from 80 dB and its TWA, OSHA dose from 90 dB.
MIXED: list[tuple[tuple[float, ...], tuple[float, ...], tuple[float, float, float, float, float, float]]] = [
    ((85, 88, 91), (4, 2, 1), (150.00, 86.76, 86.75, 58.31, 86.11, 14.36)),
    ((90, 95, 85), (4, 2, 2), (435.72, 91.39, 91.37, 112.50, 90.85, 100.00)),
    ((82, 91, 97), (4, 3, 0.5), (275.00, 89.39, 89.37, 76.06, 88.03, 59.57)),
    ((80, 94, 100), (6, 1, 0.25), (223.62, 88.50, 88.46, 53.01, 85.42, 34.26)),
    ((90, 95, 100, 85), (2, 2, 2, 2), (1156.35, 95.63, 95.59, 187.50, 94.53, 175.00)),
]

MISPRINTS = [
    Misprint(
        "99 dB(A)",
        NIOSH_SOURCE.at(", Table 1-1 (prints 18 min 59 s), formula", CLOSED_FORM),
        1139.0,
        1134.0,
        "s",
        1.0,
    ),
    Misprint(
        "TWA of 50,000 %",
        NIOSH_SOURCE.at(", Table 1-2 (prints 102.0), formula", CLOSED_FORM),
        102.0,
        112.0,
        "dB(A)",
        0.05,
    ),
    Misprint(
        "TWA of 26,000,000 %",
        NIOSH_SOURCE.at(", Table 1-2 (prints 139.0), formula", CLOSED_FORM),
        139.0,
        139.15,
        "dB(A)",
        0.05,
    ),
    Misprint(
        "TWA of 115 %", OSHA_SOURCE.at(", Table A-1 (prints 91.1), formula", CLOSED_FORM), 91.1, 91.01, "dB(A)", 0.05
    ),
    Misprint("83 dB for a day", RECKONER.at(" (prints 65), formula", CLOSED_FORM), 65.0, 63.1, "points", 0.1),
    Misprint("79 dB for a day", RECKONER.at(" (prints 26), formula", CLOSED_FORM), 26.0, 25.1, "points", 0.1),
]
