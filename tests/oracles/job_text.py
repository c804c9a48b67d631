"""Strategies that draw words, lines and jobs as real ones are written, and as damage leaves them."""

from hypothesis import strategies as st

digits = st.text("0123456789", min_size=1, max_size=8)
blanks = st.sampled_from(["", "", "", " ", "  ", "\t"])
gap = st.sampled_from([" ", " ", " ", "", "  ", "\t", " \t"])
letters = st.sampled_from(list("XYZEFSPIJKRTABD"))


@st.composite
def numbers(draw: st.DrawFn, exponent: bool = False, spaced: bool = False) -> str:
    """A number in any form that jobs have: .5, 5., +0.5, -0.000, up to sixteen digits, exponents, blanks inside."""
    sign = draw(st.sampled_from(["", "", "", "-", "+"]))
    form = draw(st.sampled_from(["whole", "point", "point", "point", "leading", "trailing", "long", "zero"]))
    if form == "whole":
        text = draw(digits)
    elif form == "leading":
        text = "." + draw(digits)
    elif form == "trailing":
        text = draw(digits) + "."
    elif form == "long":
        whole = draw(st.text("0123456789", min_size=1, max_size=15))
        text = whole + "." + draw(st.text("0123456789", min_size=0, max_size=16 - len(whole)))
    elif form == "zero":
        text = draw(st.sampled_from(["0", "0.0", "0.000", "00.00000"]))
    else:
        text = draw(digits) + "." + draw(st.text("0123456789", min_size=1, max_size=6))
    if exponent:
        text += "e" + draw(st.sampled_from(["", "-", "+"])) + draw(st.text("0123456789", min_size=1, max_size=2))
    if spaced:
        at = draw(st.integers(0, len(text)))
        text = text[:at] + " " + text[at:]
    return sign + text


@st.composite
def words(draw: st.DrawFn) -> str:
    """A word, mostly ordinary."""
    letter = draw(letters)
    match draw(st.integers(0, 19)):
        case 0:
            return letter + draw(numbers(exponent=True))
        case 1:
            return letter.lower() + draw(numbers())
        case 2:
            return letter
        case 3:
            return letter + draw(numbers(spaced=True))
        case _:
            return letter + draw(blanks) + draw(numbers())


COMMANDS = [
    "G1", "G1", "G1", "G0", "G01", "g1", "G 1", "G2", "G3", "G28", "G92", "G90", "M104", "M109", "M82",
    "M620.1", "T0", "t1", "G4", "M106", "G10", "M205",
]  # fmt: skip
commands = st.sampled_from(COMMANDS)
texts = st.text(st.characters(codec="ascii", min_codepoint=32, max_codepoint=126, exclude_characters=";"), max_size=30)
DAMAGE = [
    "...", "X1.2.3", "G1 X.", "G1 X1.2.3 Y5", "G1 X-", "G1 X--5", "G1 F{TRAVEL}", "G7000 X1", "G99999999999",
    "M65530", "X5 Y5", "X5Y5", "G", "G-1", "G+1 X5", "G.5 X2", "5 5", "-", "~", "N5", "N 5 G1", "*33",
    "G1 X5*33", "G1 X5 @", "\x00", "G1 X\x80", "D5 X1", "G1.", "G1. X5", "M104 S200 ~x", "T0 M104 S200",
    "G1 X1\x0bY2", "G1\x0cX5", "E5", ".", ". G1", "G1 .", "M117", "M 117 a", "M117.5 S1", "m118 ok", "M117a",
    "G53 G0 X5 Y5", "G53 G1 G1 X5", "G53 G28", "G53G0X1", "GG1", "G1G2", "G0X1G1X2", "M109 S200G1 X0.1 Y200", "1G1", "G1-5",
]  # fmt: skip
damage = st.sampled_from(DAMAGE)
macros = st.sampled_from(
    [
        "START_PRINT",
        "start_print BED=60 HOT=205",
        "MESH\tA=1",
        "PARK",
        "_HIDDEN x=1",
        "TIMELAPSE_TAKE",
        "P3D",
        "This is prose",
    ]
)


@st.composite
def lines(draw: st.DrawFn) -> str:
    """A line of a payload, mostly an ordinary command."""
    match draw(st.integers(0, 19)):
        case 0:
            return draw(macros)
        case 1 | 2:
            return draw(damage)
        case 3:
            return draw(st.sampled_from(["M117", "M118", "M486 A", "M23"])) + draw(texts)
        case 4:
            return draw(commands) + draw(gap) + draw(words()) + draw(gap) + draw(commands) + draw(gap) + draw(words())
        case 5:
            return draw(commands) + draw(
                st.sampled_from(
                    [" steppers off", " hello @ all", " done_now", " XY", " xyze", " XYZ5", " fast", "XZ", " X Y"]
                )
            )
        case 6:
            return draw(texts)
        case _:
            text = draw(commands)
            for word in draw(st.lists(words(), max_size=6)):
                text += draw(gap) + word
            return text


@st.composite
def raw_lines(draw: st.DrawFn) -> bytes:
    """A line of a job: a payload line with comments, framing, blanks, marks around it."""
    text = draw(lines()) if draw(st.integers(0, 5)) else ""
    comment = st.sampled_from(
        ["(a)", "(a (b) c)", "((((((x))))))", "(;)", "; a", ";(b) c", "( open", ")", "; x ; y", "(MSG, hi)", "%"]
    )
    for _ in range(draw(st.sampled_from([0, 0, 1, 2]))):
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(comment) + text[at:]
    if draw(st.integers(0, 7)) == 0:
        text = draw(st.sampled_from(["N1 ", "N23", "n5\t", "N", " N7 "])) + text
        text += draw(st.sampled_from(["*5", " *123", "*", "* 7 ", "*9 x", ""]))
    text = draw(blanks) + text + draw(blanks)
    raw = text.encode("latin-1", "replace")
    if draw(st.integers(0, 30)) == 0:
        raw = b"\xef\xbb\xbf" + raw
    return raw.replace(b"\n", b"").replace(b"\r", b"")


@st.composite
def jobs(draw: st.DrawFn) -> list[bytes]:
    """A job as its lines, each with its end; the last may have none."""
    end = draw(st.sampled_from([b"\n", b"\n", b"\r\n", b"\r", None]))
    ends = st.sampled_from([b"\n", b"\r\n", b"\r"]) if end is None else st.just(end)
    result = [line + draw(ends) for line in draw(st.lists(raw_lines(), min_size=1, max_size=25))]
    if draw(st.booleans()):
        result[-1] = result[-1].rstrip(b"\r\n")
    # A CR that ends one line and the LF of the next, empty one would be one line end.
    for index in range(1, len(result)):
        if result[index - 1].endswith(b"\r") and result[index].startswith(b"\n"):
            result[index] = b"\r" + result[index].lstrip(b"\n")
    return [line for line in result if line]
