"""How far a tree is with its leaves, on the BBCH scale: two digits, of which the first is the principal growth stage.

The scale is that of the BBCH Monograph (Meier 2018). Principal stages and the codes of buds, leaves and flowers were compared
with published extracts (general scale; pome fruit, the nearest woody plants); those of leaf fall, stage 9, are from memory.
Stages 2 and 4 are of herbs and crops; a tree has none. The picker offers what tells on a tree; any other code of the stages
kept can be typed. On one tree two stages run side by side (catkins and leaves): the leaves count here.
"""

from annotate.errors import AnnotateError

PRINCIPAL = {
    0: "bud development",
    1: "leaf development",
    3: "shoot development",
    5: "flower buds or catkins appear",
    6: "flowering",
    7: "fruit development",
    8: "ripening",
    9: "leaves turn and fall, rest begins",
}
"""Principal growth stages that a tree has, by the first digit."""

PICKER = (
    (0, "winter rest, buds closed"),
    (1, "buds begin to swell"),
    (3, "buds swollen"),
    (7, "buds burst, first green tips"),
    (9, "green tips about 5 mm"),
    (10, "first leaves part"),
    (11, "first leaves unfolded"),
    (13, "about 3 leaves unfolded"),
    (15, "more leaves, not yet full size"),
    (19, "first leaves full size"),
    (31, "shoots begin to grow"),
    (35, "shoots half as long as they will be"),
    (39, "shoots nearly full length"),
    (61, "begins to flower"),
    (65, "in full flower"),
    (69, "flowers over"),
    (75, "fruit half grown"),
    (89, "fruit ripe"),
    (91, "shoots done, leaves still green"),
    (92, "leaves begin to turn"),
    (93, "leaves begin to fall"),
    (95, "half the leaves fallen"),
    (97, "all leaves fallen"),
)
"""(code, words) to choose from."""

WORDS = dict(PICKER)


def read_leaf_stage(typed: str) -> int | None:
    """Return a BBCH code, typed with one or two digits; None for nothing typed.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is no code that a tree can have.
    """
    plain = typed.strip()
    if not plain:
        return None
    code = int(plain) if plain.isascii() and plain.isdigit() and len(plain) <= 2 else -1
    if code // 10 not in PRINCIPAL:
        stages = ", ".join(f"{stage}x {words}" for stage, words in PRINCIPAL.items())
        raise AnnotateError(
            f"leaf stage: expected a BBCH code of two digits, whose first is one of {stages}; found {plain[:40]!r}; "
            "write 07 for buds that burst, 11 for first leaves"
        )
    return code


def write_leaf_stage(code: int | None) -> str:
    """Return a code with both digits, "07"; empty for None."""
    return "" if code is None else f"{code:02}"


def say_leaf_stage(code: int | None) -> str:
    """Return "07, buds burst, first green tips"; of a code between those of the picker the principal stage; empty for None."""
    return "" if code is None else f"{code:02}, {WORDS.get(code, PRINCIPAL[code // 10])}"
