"""Ways of writing one and the same job: comments, words, blanks, line ends; knows nothing of what the job does.

All wordings are inventions of the harbour workshop. The habits themselves (BOM, tabs, `.5`, F first, numbers with
checksums) were seen in jobs of many origins.
"""

from dataclasses import dataclass, replace

__all__ = ["STYLES", "WritingStyle"]


@dataclass(frozen=True, slots=True)
class WritingStyle:
    """How lines are written."""

    name: str
    comment: str = ";"  # ";", "(" or "" for none
    layer_note: str | None = "layer {n} of {count}, top at {z:.3f} mm"
    first_layer_number: int = 1
    head_notes: tuple[str, ...] = (
        "{part}, harbour workshop",
        "layers in this job = {count}",
        "spool need: {filament:.1f} mm",
    )
    tail_note: str | None = "end of {part}"
    role_note: str | None = None  # written where the kind of bead changes
    newline: str = "\n"
    blank: str = " "
    lower: bool = False
    order: str = "XYZIJKREPF"
    strip_zeros: bool = False  # 10.500 -> 10.5, 10.000 -> 10
    strip_leading: bool = False  # 0.5 -> .5
    plus: bool = False  # Z+0.5
    minus_zero: bool = False  # now and then -0.000 for 0.000
    exponent_noise: bool = False  # relative E: travels carry E words like 1.3e-15
    numbered: bool = False  # leading N and a trailing checksum
    bom: bool = False
    fraction_s: bool = False  # S210.00 and S127.5
    repeat_words: bool = False  # X, Y and F on every move, changed or not
    feed_alone: bool = False  # a line of its own for each new F
    g0_travels: bool = True
    trailing_comment: bool = False  # a remark behind the words of commands
    blank_lines: bool = False
    padded_codes: bool = False  # G01 instead of G1


_PLAIN = WritingStyle("plain")
STYLES: dict[str, WritingStyle] = {
    s.name: s
    for s in (
        _PLAIN,
        replace(_PLAIN, name="mute", comment="", layer_note=None, head_notes=(), tail_note=None, strip_zeros=True),
        WritingStyle(
            "brackets",
            comment="(",
            layer_note="begin layer {n}",
            head_notes=("job: {part}", "layer total: {count}"),
            tail_note="job done",
            first_layer_number=0,
            repeat_words=True,
            padded_codes=True,
        ),
        WritingStyle(
            "feed-first",
            layer_note="== layer no {n}, {z:.2f} high ==",
            order="FXYZIJKREP",
            strip_zeros=True,
            g0_travels=False,
            trailing_comment=True,
            role_note="bead = {role}",
        ),
        WritingStyle(
            "crlf",
            newline="\r\n",
            layer_note="Schicht/layer {n}",
            head_notes=("Werkstatt am Hafen: {part}", "Höhe: {height:.2f} mm"),
            feed_alone=True,
            blank_lines=True,
        ),
        WritingStyle("packed", blank="", layer_note=None, head_notes=("{part}",), tail_note=None, g0_travels=False),
        WritingStyle(
            "small", lower=True, layer_note="layer {n}", strip_zeros=True, first_layer_number=0, fraction_s=True
        ),
        WritingStyle(
            "numbered",
            comment="",
            layer_note=None,
            head_notes=(),
            tail_note=None,
            numbered=True,
            strip_zeros=True,
            repeat_words=True,
        ),
        WritingStyle(
            "bom-tabs",
            bom=True,
            blank="\t",
            layer_note="height {z:.3f} begins layer {n}",
            head_notes=("名前 {part}", "layers: {count}", "  tabs = yes ; a second semicolon "),
            minus_zero=True,
        ),
        WritingStyle(
            "points",
            strip_leading=True,
            strip_zeros=True,
            plus=True,
            layer_note=None,
            order="EXYZIJKRPF",
            fraction_s=True,
            head_notes=("{part} (made for the north pier)", "key = value", "tallest point: {height:.3f}"),
        ),
        WritingStyle(
            "noisy",
            exponent_noise=True,
            minus_zero=True,
            blank="  ",
            layer_note="now {z:.4f} up ; layer {n}",
            order="XYZIJKRFEP",
            fraction_s=True,
            trailing_comment=True,
        ),
        WritingStyle(
            "numbered-crlf", comment="", layer_note=None, head_notes=(), tail_note=None, numbered=True, newline="\r\n"
        ),
    )
}
