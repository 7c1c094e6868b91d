"""What the commands of both languages do beyond the label in hand: which of them are refused.

Source: the languages' own command descriptions (from memory where a command is newer than the
editions that were read). A command in none of these tables, and not read by the reader, is
reported as unknown.
"""

import re
from collections.abc import Mapping

SET_LINE = "! U1"
"""Name of the third language's lines (`! U1 setvar ...`), spoken on the same port."""

SET_LINES = re.compile(rb"!\s?U1[ \t\r\n]|(?:^|[\r\n])!\s?U[ \t\r\n]", re.IGNORECASE)
"""Such lines, anywhere in a stream: a printer looks for them in data too."""

_MEMORY = "changes what the printer keeps in memory"
_RESET = "resets or cancels work in the printer"
_SAVED = "changes a setting that outlives the power switch"
_NETWORK = "changes the printer's network"
_MOVES = "moves, stops or reprints stock"
_ASKS = "makes the printer answer on the line"
_SERVICE = "is a service or calibration function"
_RADIO = "writes or locks a radio tag"


def _table(groups: Mapping[str, str]) -> dict[str, str]:
    return {name: effect for effect, names in groups.items() for name in names.split()}


ZPL_REFUSED = _table(
    {
        _MEMORY: "^DF ^IS ^ID ^EG ~EG ^EF ^CM ^TO ~DB ~DE ~DG ~DN ~DS ~DT ~DU ~DY ^DY ^CO",
        _RESET: "~JA ~JR ~JX ~JP ^JB ~JB ^JZ ~JQ ~RO ^RO ^MC ~NR ~WR",
        _SAVED: "^JU ^JH ^JT ^JW ^KD ^KL ^KN ^KP ^KV ^MA ^MF ^MI ^MP ^SC ^SI ^SL ^SR ^SS ^ST ^SZ"
        " ^JJ ^JI ~JI ^JS ^JF ~KB ^MW ^PL ~PL ^SO",
        _NETWORK: "^NB ^NC ~NC ^ND ^NI ^NN ^NP ^NS ~NT ^NT ^NW ^WA ^WE ^WI ^WL ~WL ^WP ^WR ^WS"
        " ^WX ^SQ ^SX",
        _MOVES: "~PR ~PH ^PH ^PF ^PP ~PP ~PS ^CN ^CP ^SP",
        _ASKS: "~HB ~HD ~HI ~HM ~HQ ~HS ~HU ^HF ^HG ^HH ^HL ^HR ^HT ^HV ^HW ^HY ^HZ ^LF",
        _SERVICE: "~JC ~JD ~JE ~JF ~JG ~JL ~JN ~JO ~WC ~WQ ^WD ^WC ^JC",
        _RADIO: "^RA ^RB ^RE ^RF ^RI ^RL ^RM ^RN ^RQ ^RR ^RS ^RT ^RU ^RW ^RZ ^WT ^WF ^WV",
    }
)
"""Commands that are refused unless the site allows them by name, and why."""

ZPL_LASTING = frozenset(
    [
        "^CW",
        "^FL",
        "^JM",
        "^ML",
        "^MM",
        "^MN",
        "^MT",
        "^PA",
        "^SE",
        "^XB",
        "~JM",
        "~JS",
        "~SD",
        "~TA",
    ]
)
"""Job settings that stay in force for later labels of this and other senders."""

ZPL_HARMLESS = frozenset(["^CV", "^FE", "^FX", "^MD", "^PN", "^PR", "^SF"])
"""Known; no effect on what this label shows, or a field option handled where the field is read."""

EPL_REFUSED = _table(
    {
        _MEMORY: "FS FE FK GM GK EK ES M",
        _RESET: "^@ ^Z",
        _SAVED: "^default O OD OP OB OS Y U UR oE oH oM oB oR oW eR TS Z l m ^r",
        _MOVES: "PA f xa AUTOFR",
        _ASKS: "^ee ^ei UA UB UE UF UG UI UM UP UQ UN US TT TD ^ce EI FI GI i",
        _SERVICE: "dump W ^c ^t",
    }
)
"""The same for EPL. Error reporting (`UN`, `US`) makes the printer answer on the line."""

EPL_SETTINGS = frozenset({"ZT", "ZB", "S", "D", "I", "q", "Q", "R"})
"""Every label of a well-made sender sets them, so that one left behind does no harm."""

EPL_HARMLESS = frozenset({";", "rN", "rY", "JF", "JB"})
"""Known; no effect on what this label shows."""
