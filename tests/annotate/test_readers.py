"""`leafshade readers`: who judged how much, who agrees with whom, who finds what of the larvae drawn into footage."""

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import text
from statsmodels.stats.inter_rater import cohens_kappa
from typer.testing import CliRunner, Result

from annotate.commands.base import app
from annotate.commands.readers import readers
from annotate.errors import AnnotateError
from annotate.judging.readers import describe_readers, say_pair, sum_readers
from annotate.judging.readings import read_renamed
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.records import FoundBy, Verdict
from annotate.logbook.second_reading import Said
from annotate.logbook.verdicts import give_verdict
from annotate.words import Answer
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, search

assert readers  # imported so that the command is there

Run = Callable[..., Result]

TABLE = ((11, 2, 1), (3, 40, 2), (1, 1, 4))
WORDS: tuple[Answer, ...] = ("confirm", "dismiss", "unsure")


def say_table(
    table: tuple[tuple[int, ...], ...],
    *,
    first: str = "Maren",
    second: str = "Tove",
    found_by: FoundBy = "search",
) -> list[Said]:
    """Two readings of each candidate that make a table, rows the first reader's."""
    said: list[Said] = []
    for row, counts in enumerate(table):
        for column, count in enumerate(counts):
            for _ in range(count):
                number = len(said) + 1
                said.append(
                    Said(
                        number,
                        found_by,
                        (
                            Verdict(2 * number, number, WORDS[row], first, LATER, None),
                            Verdict(2 * number + 1, number, WORDS[column], second, LATER, None, blind=True),
                        ),
                    )
                )
    return said


def test_two_people_are_compared_on_their_blind_readings() -> None:
    """Table, share, kappa and interval are those of the table, whoever read first; kappa that of statsmodels."""
    for names in (("Maren", "Tove"), ("Tove", "Maren")):
        figures = sum_readers(say_table(TABLE, first=names[0], second=names[1]))
        (pair,) = figures.pairs
        assert (pair.first, pair.second) == ("Maren", "Tove")
        # po 55/65, pe (14*15 + 45*43 + 6*7) / 65^2 = 0.5176, kappa 0.3285 / 0.4824
        table = tuple(zip(*TABLE, strict=True)) if names[0] == "Tove" else TABLE
        assert pair.agreement.table == table
        other = cohens_kappa(TABLE)
        assert pair.agreement.kappa is not None and pair.agreement.kappa.low is not None
        assert pair.agreement.kappa.value == pytest.approx(other.kappa)
        assert pair.agreement.kappa.low == pytest.approx(other.kappa_low, abs=1e-6)
        assert pair.open_disagreements == 10
        assert [one.open_disagreements for one in figures.reviewers] == [10, 10]
        assert say_pair(pair) == (
            "Maren and Tove: 65 candidates were judged by both, 55 with the same answer (85 %): kappa 0.68 (0.51 to 0.86). "
            "Of 18 candidates that one of them confirmed, both confirmed 11. 10 disagreements still open."
        )


def test_a_changed_mind_does_not_raise_kappa() -> None:
    """Tove looks again at every disagreement and agrees: nothing is open any more, and kappa is what it was."""
    said = say_table(TABLE)
    settled = [
        Said(one.candidate_id, "search",
            (*one.verdicts, Verdict(9000 + one.candidate_id, one.candidate_id, one.verdicts[0].answer, "tove", LATER, None)),
        )
        for one in said
    ]  # fmt: skip
    before, after = sum_readers(said), sum_readers(settled)
    assert after.pairs[0].agreement == before.pairs[0].agreement
    assert after.pairs[0].open_disagreements == 0
    assert [(one.name, one.also, one.verdicts, one.readings) for one in after.reviewers] == [
        ("Maren", (), 65, 65),
        ("tove", ("Tove",), 130, 65),
    ]


def test_hit_rates_count_larvae_drawn_in_and_nothing_else_does() -> None:
    """Of 20 planted Maren confirms 15, Tove 17; unsure is no hit; kappa leaves them out; the interval is exact."""
    figures = sum_readers(say_table(((14, 1, 0), (2, 1, 0), (1, 0, 1)), found_by="planted"))
    maren, tove = figures.reviewers
    assert (maren.hit_rate.hits, maren.hit_rate.shown, maren.planted_unsure) == (15, 20, 2)
    assert (tove.hit_rate.hits, tove.hit_rate.shown, tove.planted_unsure) == (17, 20, 1)
    # Clopper-Pearson of 15 of 20: 0.509 to 0.913 (from memory, and by scipy)
    assert (maren.hit_rate.low, maren.hit_rate.high) == pytest.approx((0.509, 0.913), abs=5e-4)
    assert figures.pairs[0].agreement.shared == 0 and figures.pairs[0].open_disagreements == 0
    assert (maren.readings, maren.verdicts) == (0, 20)


def test_what_was_drawn_by_hand_is_not_compared() -> None:
    """It is there because the first took it for a larva: no kappa comes of it, but what differs still comes back."""
    figures = sum_readers(say_table(TABLE, found_by="hand"))
    assert figures.pairs[0].agreement.shared == 0 and figures.pairs[0].open_disagreements == 10


def test_only_what_was_blind_counts() -> None:
    """The second answered with the first's in sight: two verdicts, one reading; nor is a repeat by oneself."""
    seen = [
        Said(
            1,
            "search",
            (
                Verdict(1, 1, "confirm", "Maren", LATER, None),
                Verdict(2, 1, "confirm", "Tove", LATER, None),
            ),
        )
    ]
    figures = sum_readers(seen)
    assert [one.readings for one in figures.reviewers] == [1, 0]
    assert figures.pairs[0].agreement.shared == 0
    alone = sum_readers(say_table(TABLE, first="Maren", second=" MAREN"))
    assert alone.pairs == () and alone.reviewers[0].readings == 65
    renamed = sum_readers(
        say_table(TABLE, first="Maren Holt", second="Maren Ash"), read_renamed("Maren Holt=Maren Ash")
    )
    assert renamed.pairs == () and (renamed.reviewers[0].name, renamed.reviewers[0].also) == (
        "Maren Ash",
        ("Maren Holt",),
    )


def test_three_people_make_three_pairs() -> None:
    """Each two are compared on what those two read; nobody and one make none."""
    said = say_table(TABLE)
    third = []
    for one in said:
        number = one.candidate_id
        more = Verdict(9000 + number, number, "dismiss", "Ilse", LATER, None, blind=True)
        third.append(Said(number, "search", (*one.verdicts, more) if number % 2 else one.verdicts))
    figures = sum_readers(third)
    assert [(pair.first, pair.second, pair.agreement.shared) for pair in figures.pairs] == [
        ("Ilse", "Maren", 33),
        ("Ilse", "Tove", 33),
        ("Maren", "Tove", 65),
    ]
    assert sum_readers([]).reviewers == () and sum_readers([]).pairs == ()


def test_two_who_agree_have_no_disagreement_with_each_other() -> None:
    """A third person differs from both: it comes back to all three, and is open between the pairs that differ."""
    words = (("confirm", "Maren"), ("confirm", "Tove"), ("dismiss", "Ines"))
    verdicts = tuple(
        Verdict(number, 1, answer, name, LATER, None, blind=True)  # type: ignore[arg-type]
        for number, (answer, name) in enumerate(words, 1)
    )
    figures = sum_readers([Said(1, "search", verdicts)])
    assert [one.open_disagreements for one in figures.reviewers] == [1, 1, 1]
    between = {(pair.first, pair.second): pair.open_disagreements for pair in figures.pairs}
    assert between == {("Ines", "Maren"): 1, ("Ines", "Tove"): 1, ("Maren", "Tove"): 0}
    taken_back = (*verdicts, Verdict(4, 1, "open", "Tove", LATER, 2))
    figures = sum_readers([Said(1, "search", taken_back)])
    assert [pair.open_disagreements for pair in figures.pairs] == [1, 1, 1]


def test_time_per_verdict_leaves_out_breaks_and_counts_a_batch_once() -> None:
    """Verdicts 3 s apart, a night between them, forty given together: 3 s."""
    moments = [LATER + timedelta(seconds=3 * n) for n in range(6)]
    moments += [LATER + timedelta(days=1, seconds=3 * n) for n in range(6)]
    said = [
        Said(n, "search", (Verdict(n, n, "dismiss", "Maren", moment, None),))
        for n, moment in enumerate(moments, start=1)
    ]
    batch = [
        Said(
            n,
            "search",
            (Verdict(n, n, "dismiss", "Maren", moments[-1] + timedelta(seconds=3), None, batch="b"),),
        )
        for n in range(100, 140)
    ]
    assert sum_readers([*said, *batch]).reviewers[0].median_s == 3.0
    assert sum_readers(said[:2]).reviewers[0].median_s is None


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run the command on a logbook with two trees, eight candidates on each, none judged."""
    folder = create_logbook(tmp_path / "Otter höhe", zone="Europe/London")
    monkeypatch.setenv("LEAFSHADE_LOGBOOK", str(folder))
    monkeypatch.setenv("COLUMNS", "200")
    with open_logbook(folder) as logbook:
        add_trees(logbook, "OT01", "OT02")
        for number, tree in ((1, "OT01"), (2, "OT02")):
            clip = film(logbook, number=number, tree=tree, recorded_at=NOON + timedelta(days=7 * number - 7))
            search(logbook, clip, [make_candidate(5.0 * n, shade=n) for n in range(1, 9)])

    def invoke(*arguments: str) -> Result:
        return CliRunner().invoke(app, ["readers", *arguments], catch_exceptions=False)

    return invoke


def judge(tmp_path: Path, reviewer: str, *, blind: bool, spoilt: int = 0) -> None:
    """Judge all sixteen, the first two of each tree confirmed, another answer to the one `spoilt`."""
    with open_logbook(tmp_path / "Otter höhe") as logbook:
        for number in range(1, 17):
            answer: Answer = "confirm" if number % 8 in (1, 2) else "dismiss"
            if number == spoilt:
                answer = "unsure"
            at = LATER + timedelta(seconds=2 * number)
            give_verdict(logbook, number, answer=answer, reviewer=reviewer, at=at, blind=blind)


def test_the_command_says_what_to_do_until_two_have_judged(run: Run, tmp_path: Path) -> None:
    """Nothing judged, one person, two who saw each other's answers: each time the next step is named."""
    assert run().stdout == "No verdicts yet. Judge first: leafshade review\n"
    assert json.loads(run("--json").stdout) == {"reviewers": [], "pairs": []}
    judge(tmp_path, "Maren", blind=False)
    assert "Nobody else has judged yet." in run().stdout
    assert "leafshade review --second --reviewer NAME" in run().stdout
    judge(tmp_path, "Ilse", blind=False)
    assert "No candidate was judged blind by two people yet." in run().stdout


def test_the_command_shows_everyone_and_each_two(run: Run, tmp_path: Path) -> None:
    """Verdicts, pace, hit rate, disagreements, and the sentence of the pair; as JSON the same numbers."""
    judge(tmp_path, "Maren", blind=False)
    judge(tmp_path, "Tove\x1b[31m", blind=True, spoilt=3)
    with open_logbook(tmp_path / "Otter höhe") as logbook, logbook.writing() as session:
        session.connection().execute(text("UPDATE candidate SET found_by = 'planted' WHERE id = 9"))
    shown = run().stdout
    assert "\x1b" not in shown and "16" in shown and "2.0 s" in shown
    assert "1 of 1 (100 %, 3 to 100 %)" in shown and "1 open" in shown
    assert "15 candidates were judged by both, 14 with the same answer (93 %): kappa 0.82" in shown
    assert "counts as unsure, and makes no record, until all who judged it say the same" in shown
    figures = json.loads(run("--json").stdout)
    assert figures["pairs"][0]["table"] == [[3, 0, 0], [0, 11, 1], [0, 0, 0]]
    assert figures["pairs"][0]["kappa"] == pytest.approx(
        cohens_kappa([[3, 0, 0], [0, 11, 1], [0, 0, 0]]).kappa
    )
    assert [one["planted_confirmed"] for one in figures["reviewers"]] == [1, 1]


def test_the_command_counts_only_the_footage_chosen(run: Run, tmp_path: Path) -> None:
    """By site, visit and since; what is not there is said, with what to do."""
    judge(tmp_path, "Maren", blind=False)
    judge(tmp_path, "Tove", blind=True)

    def count(*arguments: str) -> int:
        return int(json.loads(run(*arguments, "--json").stdout)["pairs"][0]["judged_by_both"])

    assert count() == count("--site", "otterholt") == 16
    assert count("--visit", "2026-05-17") == count("--since", "2026-05-18") == 8
    assert count("--since", "2026-05-17") == 16
    assert run("--visit", "2027-01-01").stdout.startswith("No verdicts on the footage you chose.")
    with pytest.raises(AnnotateError, match="the sites are OTTERHOLT"):
        run("--site", "NOWHERE")
    with pytest.raises(AnnotateError, match=r"expected one such as 2026-05-17; found 'may'"):
        run("--since", "may")


def test_figures_are_plain_data() -> None:
    """What is written as JSON has stable names, and None where nothing is known."""
    data = describe_readers(sum_readers(say_table(((3, 0, 0), (0, 0, 0), (0, 0, 0)))))
    assert json.loads(json.dumps(data)) == data
    (pair,) = data["pairs"]
    assert (pair["agreement"], pair["kappa"], pair["kappa_low"]) == (1.0, None, None)
    assert data["reviewers"][0]["hit_rate"] is None and data["reviewers"][0]["hit_rate_high"] == 1.0
