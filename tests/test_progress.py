"""One task over a whole run: it only goes on, and ends where its steps end."""

from __future__ import annotations

from stitch.cli.stages import JOIN
from stitch.progress import Stages


class Whole:
    """A task that adds up."""

    def __init__(self) -> None:
        self.at, self.least = 0.0, 1.0

    def advance(self, amount: float = 1.0) -> None:
        self.at, self.least = self.at + amount, min(self.least, amount)


def test_steps_share_the_whole() -> None:
    whole, told = Whole(), []
    stages = Stages(whole, {"one": (0.0, 0.4), "two": (0.4, 1.0)}, told.append, told.append)
    with stages.task("one", 10) as task:
        task.advance(5)
        assert abs(whole.at - 0.2) < 1e-9
    assert abs(whole.at - 0.4) < 1e-9
    with stages.task("two", 3) as task:
        for _ in range(5):  # more than was said
            task.advance()
    assert abs(whole.at - 1.0) < 1e-9 and whole.least >= 0
    assert told == ["one", "two"]


def test_a_step_done_again_never_takes_the_whole_back_nor_to_its_end() -> None:
    whole = Whole()
    stages = Stages(whole, {"one": (0.0, 0.5), "last": (0.9, 1.0)}, lambda label: None, lambda text: None)
    seen = []
    for _ in range(4):
        with stages.task("one", 1) as task:
            task.advance()
        seen.append(whole.at)
    assert seen == sorted(seen) and seen[-1] <= 0.5
    with stages.task("not named", 1) as task:
        task.advance()
    assert abs(whole.at - 0.5) < 1e-9
    with stages.task("last", 1):
        assert abs(whole.at - 0.9) < 1e-9  # what was kept is jumped over


def test_the_steps_of_a_join_follow_one_another() -> None:
    ends = [0.0]
    for begin, end in JOIN.values():
        assert ends[-1] <= begin <= end <= 1.0
        ends.append(end)
