"""When a workplace more than there are builds pays, and the executor that opens it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import cast

from gatekeep.build.command import CancelToken
from gatekeep.build.job import Workplace
from gatekeep.model.evidence import Evidence
from gatekeep.model.plan import Job
from gatekeep.runner.local import LocalExecutor
from gatekeep.runner.plan import plan_change
from gatekeep.runner.second_look import SecondLook
from gatekeep.runner.spare import Spare
from tests.cases import built, make_evidence
from tests.unit.test_plan import make_inputs

JOB = plan_change(make_inputs(0)).jobs[0]


def test_spare_is_opened_when_more_was_lost_without_it_than_it_costs() -> None:
    spare = Spare()
    spare.note(0.75, is_first=True)
    spare.note(0.25, is_first=False)
    spare.note(1.0, is_first=True)
    assert not spare.pays
    spare.note(0.75, is_first=False)
    assert not spare.pays
    spare.note(0.25, is_first=False)
    assert spare.pays


def test_spare_is_not_opened_before_anything_was_lost() -> None:
    assert not Spare().pays


class TimedWorkplace:
    """Is busy with each job for a quarter of a second besides its build; the first time, for a whole one."""

    tree_id = None

    def __init__(self, world: World) -> None:
        self._world = world
        self._own_s = 1.0

    def build(self, job: Job, _cancel: CancelToken, _attempt: int) -> Evidence:
        self._world.now_s += self._own_s + 8.0
        self._own_s = 0.25
        return replace(make_evidence(job.commit, job.target.name, built()), elapsed_s=8.0)

    def close(self) -> None:
        self._world.closed_count += 1


class World:
    """A clock that stands still but for what workplaces do."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.opened_count = 0
        self.closed_count = 0

    def open(self) -> Workplace:
        self.opened_count += 1
        return cast(Workplace, TimedWorkplace(self))

    def run(self, executor: LocalExecutor, count: int) -> Iterator[int]:
        """Build one job after the other; give what the executor asks for after each."""
        for _job in range(count):
            executor.submit(JOB).result()
            yield executor.spare_count


def test_executor_asks_for_more_jobs_once_that_pays() -> None:
    world = World()
    executor = LocalExecutor(
        2,
        spare_count=3,
        open_workplace=world.open,
        prepare=lambda: None,
        second_look=SecondLook(),
        now=lambda: world.now_s,
    )
    assert executor.spare_count == 0
    assert list(world.run(executor, 7)) == [0, 0, 0, 0, 0, 3, 3]
    executor.close()
    assert (world.opened_count, world.closed_count) == (1, 1)
