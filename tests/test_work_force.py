"""Work on several processes: in order, few tasks in hand, and a word when one is killed."""

import os
import subprocess
import sys
from collections.abc import Iterator

import pytest

from platecover.coverage.work_force import cores, in_order


def square(number: int) -> int:
    return number * number


def own_number(_: int) -> int:
    return os.getpid()


def refuse(number: int) -> int:
    raise ValueError(f"{number} is refused")


@pytest.mark.parametrize("processes", [1, 2, 3])
def test_results_come_in_the_order_of_the_tasks(processes: int) -> None:
    assert list(in_order(square, range(50), processes)) == [n * n for n in range(50)]
    assert list(in_order(square, (), processes)) == []


def test_tasks_are_drawn_only_as_they_are_worked_on() -> None:
    drawn = 0

    def tasks() -> Iterator[int]:
        nonlocal drawn
        for number in range(1, 101):
            drawn = number
            yield number

    results = in_order(square, tasks(), 2)
    assert next(results) == 1
    assert drawn < 10
    results.close()  # type: ignore[attr-defined]


@pytest.mark.parametrize("processes", [1, 2])
def test_errors_are_those_of_the_work(processes: int) -> None:
    with pytest.raises(ValueError, match="7 is refused"):
        list(in_order(refuse, [7], processes))


def test_one_process_is_this_one() -> None:
    assert set(in_order(own_number, range(3), 1)) == {os.getpid()}
    assert cores() >= 1


def test_a_process_that_is_killed_is_told_in_words() -> None:
    # in a process of its own, which has no other threads and so may fork
    script = (
        "import os, signal\n"
        "from platecover.coverage.work_force import in_order\n"
        "def die(_): os.kill(os.getpid(), signal.SIGKILL)\n"
        "list(in_order(die, range(4), 2))\n"
    )
    killed = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert "PlatecoverError: a process at work was killed from outside" in killed.stderr
