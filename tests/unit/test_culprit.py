"""The search for a culprit: on generated histories against the truth, and case by case."""

from __future__ import annotations

import random
from math import ceil, log2

import pytest

from gatekeep.errors import UsageError
from gatekeep.model.change import Commit
from gatekeep.model.culprit import Conclusion, CulpritStanding, Sight
from gatekeep.runner.culprit import CulpritSearch
from gatekeep.runner.culprit_desk import Desk
from gatekeep.runner.culprit_sights import Probe, Seen
from tests.simulated_history import Alone, History, Machine, draw_graph, draw_line, run_searches

TARGETS = ("arm/mere", "mips/holm", "riscv64/vale")


def draw_machine(lot: random.Random, history: History, main: list[Commit]) -> Machine:
    """Give every target a fault that the first commits do not have and the last has."""
    head = history.changes[main[-1].tree_id] - history.changes[main[1].tree_id]
    faults: dict[str, frozenset[str]] = {}
    for target in TARGETS:
        known = sorted(change for change in head if target in history.touched[change])
        together = min(len(known), lot.choice((1, 1, 2)))
        # A target that nothing touches stays well to the end.
        faults[target] = frozenset(lot.sample(known, together)) or frozenset({"never"})
    return Machine(history, faults)


def seeded(number: int, *, merged: bool) -> tuple[random.Random, History, list[Commit], Machine]:
    lot = random.Random(number)
    history = History()
    draw = draw_graph if merged else draw_line
    main = draw(history, lot, lot.randint(3, 60), TARGETS)
    return lot, history, main, draw_machine(lot, history, main)


@pytest.mark.parametrize("merged", [False, True], ids=["linear", "merged"])
def test_the_culprit_is_right_on_generated_histories(merged: bool) -> None:
    found, into_sides = 0, 0
    for number in range(100):
        lot, history, main, machine = seeded(number, merged=merged)
        good = main[1] if len(main) > 2 else main[0]
        commits = history.range_of(good, main[-1])
        searches = {target: machine.search(target, commits) for target in TARGETS}
        answers = run_searches(searches, machine, worker_count=lot.randint(1, 5), lot=lot)
        assert answers.keys() == set(TARGETS)
        for target, answer in answers.items():
            if machine.is_faulty(target, main[-1].tree_id) and not machine.is_faulty(target, good.tree_id):
                assert answer.standing is CulpritStanding.FOUND, (number, target, answer)
                assert answer.culprit in machine.list_breaks(target, commits), (number, target, answer)
                assert answer.suspects == (answer.culprit,)
                found += 1
                into_sides += bool(answer.merges)
            else:
                assert answer.standing is CulpritStanding.WELL_AT_BAD
    assert found > 250
    assert into_sides > 60 if merged else into_sides == 0


@pytest.mark.parametrize("merged", [False, True], ids=["linear", "merged"])
def test_a_bad_machine_gives_the_culprit_or_undecided_and_never_an_innocent(merged: bool) -> None:
    standings: dict[CulpritStanding, int] = dict.fromkeys(CulpritStanding, 0)
    for number in range(200):
        lot, history, main, machine = seeded(1000 + number, merged=merged)
        good = main[1]
        commits = history.range_of(good, main[-1])
        trees = [commit.tree_id for commit in commits.commits]
        if number % 2:
            machine.broken_trees = frozenset(lot.sample(trees, len(trees) // 3))
        else:
            pairs = [(target, tree_id) for target in TARGETS for tree_id in (good.tree_id, *trees)]
            machine.lying_trees = frozenset(lot.sample(pairs, len(pairs) // 9))
        searches = {target: machine.search(target, commits) for target in TARGETS}
        answers = run_searches(searches, machine, worker_count=lot.randint(1, 5), lot=lot)
        for target, answer in answers.items():
            standings[answer.standing] += 1
            breaks = machine.list_breaks(target, commits)
            if answer.standing is CulpritStanding.FOUND:
                assert answer.culprit in breaks, (number, target, answer)
            elif answer.standing is CulpritStanding.UNDECIDED:
                assert answer.why
                assert not breaks or any(commit in answer.suspects for commit in breaks), (number, target, answer)
    assert standings[CulpritStanding.FOUND] > 100
    assert standings[CulpritStanding.UNDECIDED] > 100


def test_one_at_a_time_takes_no_more_looks_than_the_information_bound() -> None:
    for length in (1, 2, 3, 7, 8, 9, 31, 100, 1000):
        for place in {1, 2, length // 3 + 1, length // 2 + 1, length - 1, length} - {0}:
            if place > length:
                continue
            history = History()
            line = [history.commit((), "import", TARGETS)]
            for number in range(1, length + 1):
                line.append(history.commit((line[-1],), f"change {number}", TARGETS))
            machine = Machine(history, {TARGETS[0]: frozenset({f"change {place}"})})
            search = machine.search(TARGETS[0], history.range_of(line[0], line[-1]))
            for commit, sight in ((line[0], Sight.WELL), (line[-1], Sight.FAULTY)):
                search.take(Seen(tree_id=commit.tree_id, sight=sight))
            answer = run_searches({TARGETS[0]: search}, machine, worker_count=1)[TARGETS[0]]
            assert answer.culprit == line[place]
            assert machine.build_count <= ceil(log2(length)), (length, place)
            assert machine.fresh_count == 2


def make_line(count: int) -> tuple[History, list[Commit]]:
    """A line of `count` commits after the first, each of which changes something that concerns the target."""
    history = History()
    line = [history.commit((), "import", TARGETS)]
    for number in range(1, count + 1):
        line.append(history.commit((line[-1],), f"change {number}", TARGETS))
    return history, line


def wanted(search: CulpritSearch, count: int) -> list[tuple[str, bool]]:
    return [(probe.commit.subject, probe.fresh) for probe in search.next_probes(count)]


def seen(commit: Commit, sight: Sight, why: str = "", *, fresh: bool = False) -> Seen:
    return Seen(tree_id=commit.tree_id, sight=sight, why=why, fresh=fresh)


def begin(history: History, line: list[Commit], *, confirm: bool = True) -> CulpritSearch:
    ends = (seen(line[0], Sight.WELL), seen(line[-1], Sight.FAULTY))
    return CulpritSearch(history.range_of(line[0], line[-1]), known=ends, confirm=confirm)


def test_k_workers_split_a_range_in_k_plus_1_equal_parts() -> None:
    history, line = make_line(16)
    assert wanted(begin(history, line), 1) == [("commit 8", False)]
    assert wanted(begin(history, line), 3) == [("commit 4", False), ("commit 8", False), ("commit 12", False)]
    assert len(wanted(begin(history, line), 40)) == 15


def test_ends_are_looked_at_first_and_idle_workers_look_ahead() -> None:
    history, line = make_line(8)
    search = CulpritSearch(history.range_of(line[0], line[-1]))
    assert wanted(search, 1) == [("commit 0", False)]
    assert wanted(search, 3) == [("commit 0", False), ("commit 8", False), ("commit 4", False)]


def test_commits_that_do_not_reach_the_target_cost_nothing() -> None:
    history = History()
    line = [history.commit((), "import", TARGETS)]
    for number in range(1, 101):
        line.append(history.commit((line[-1],), f"change {number}", TARGETS[:1] if number in (20, 50, 80) else ()))
    machine = Machine(history, {TARGETS[0]: frozenset({"change 50"})})
    answer = run_searches(
        {TARGETS[0]: machine.search(TARGETS[0], history.range_of(line[0], line[-1]))}, machine, worker_count=1
    )[TARGETS[0]]
    assert answer.culprit == line[50]
    assert answer.before == line[49]
    assert machine.build_count - 2 <= ceil(log2(3))


def test_a_wrong_guess_of_what_reaches_is_found_out_when_the_culprit_is_confirmed() -> None:
    history, line = make_line(10)
    machine = Machine(history, {TARGETS[0]: frozenset({"change 4"})})
    search = CulpritSearch(
        history.range_of(line[0], line[-1]), reaches=lambda old, new: new in (line[7].tree_id, line[9].tree_id)
    )
    answer = run_searches({TARGETS[0]: search}, machine, worker_count=1)[TARGETS[0]]
    assert answer.culprit == line[4]


def test_the_culprit_and_its_parent_are_built_anew_before_anybody_is_blamed() -> None:
    history, line = make_line(2)
    search = begin(history, line)
    search.take(seen(line[1], Sight.WELL))
    assert search.conclusion is None
    assert wanted(search, 4) == [("commit 2", True), ("commit 1", True)]
    search.take(seen(line[2], Sight.FAULTY, fresh=True))
    search.take(seen(line[1], Sight.WELL, fresh=True))
    assert search.conclusion == Conclusion(
        standing=CulpritStanding.FOUND, culprit=line[2], before=line[1], suspects=(line[2],)
    )
    assert wanted(search, 4) == []


def test_a_tree_that_comes_out_in_two_ways_makes_the_search_undecided() -> None:
    history, line = make_line(2)
    search = begin(history, line)
    search.take(seen(line[1], Sight.FAULTY))
    search.take(seen(line[1], Sight.WELL, fresh=True))
    assert search.conclusion == Conclusion(
        standing=CulpritStanding.UNDECIDED,
        suspects=(line[1], line[2]),
        why=f"two builds of commit {line[1].short_id} came out differently, so none of them can be trusted",
    )


def test_an_end_that_cannot_be_built_is_tried_once_more_and_leaves_all_undecided() -> None:
    history, line = make_line(3)
    search = CulpritSearch(history.range_of(line[0], line[-1]), known=[seen(line[3], Sight.FAULTY)])
    for _ in range(2):
        assert wanted(search, 1) == [("commit 0", False)]
        search.take(seen(line[0], Sight.UNKNOWN, "no space left on the device"))
    assert search.conclusion == Conclusion(
        standing=CulpritStanding.UNDECIDED,
        suspects=tuple(line[1:]),
        why=f"commit {line[0].short_id} could not be judged: no space left on the device",
    )


def test_neighbours_are_tried_before_a_look_that_showed_nothing_is_tried_again() -> None:
    history, line = make_line(4)
    search = begin(history, line)
    assert wanted(search, 1) == [("commit 2", False)]
    search.take(seen(line[2], Sight.UNKNOWN, "out of memory"))
    assert wanted(search, 1) == [("commit 1", False)]
    search.take(seen(line[1], Sight.WELL))
    assert wanted(search, 1) == [("commit 3", False)]
    search.take(seen(line[3], Sight.FAULTY))
    assert wanted(search, 1) == [("commit 2", False)]
    search.take(seen(line[2], Sight.UNKNOWN, "out of memory"))
    assert search.conclusion == Conclusion(
        standing=CulpritStanding.UNDECIDED,
        suspects=(line[2], line[3]),
        why=f"commit {line[2].short_id} could not be judged: out of memory",
    )


def test_a_culprit_that_cannot_be_confirmed_is_undecided_with_one_suspect() -> None:
    history, line = make_line(1)
    search = begin(history, line)
    for _ in range(2):
        search.take(seen(line[1], Sight.UNKNOWN, "a worker was lost", fresh=True))
    assert search.conclusion == Conclusion(
        standing=CulpritStanding.UNDECIDED,
        suspects=(line[1],),
        why=f"it could not be confirmed: commit {line[1].short_id} could not be judged: a worker was lost",
    )


@pytest.mark.parametrize("suspected", range(1, 17))
def test_two_looks_are_enough_where_the_right_commit_is_suspected(suspected: int) -> None:
    history, line = make_line(16)
    machine = Machine(history, {TARGETS[0]: frozenset({f"change {suspected}"})})
    search = begin(history, line, confirm=False)
    search.suspect(line[suspected].commit_id)
    answer = run_searches({TARGETS[0]: search}, machine, worker_count=2)[TARGETS[0]]
    assert answer.culprit == line[suspected]
    assert (machine.build_count, machine.round_count) == (2, 1)


@pytest.mark.parametrize("place", range(2, 40))
def test_right_suspicion_is_confirmed_in_two_rounds(place: int) -> None:
    """Both ends are known and few commits reach the target: mostly its parent is known by others of its class only."""
    lot, history = random.Random(place), History()
    line = [history.commit((), "import", TARGETS[:1])]
    for number in range(1, 41):
        reached = TARGETS[:1] if number == place or lot.random() < 0.3 else []
        line.append(history.commit((line[-1],), f"change {number}", reached))
    machine = Machine(history, {TARGETS[0]: frozenset({f"change {place}"})})
    search = machine.search(TARGETS[0], history.range_of(line[0], line[-1]))
    for end, sight in ((line[0], Sight.WELL), (line[-1], Sight.FAULTY)):
        machine.shown[TARGETS[0], end.tree_id] = Seen(tree_id=end.tree_id, sight=sight)
        search.take(machine.shown[TARGETS[0], end.tree_id])
    search.suspect(line[place].commit_id)
    answer = run_searches({TARGETS[0]: search}, machine, worker_count=2)[TARGETS[0]]
    assert (answer.standing, answer.culprit) == (CulpritStanding.FOUND, line[place])
    assert machine.build_count + machine.fresh_count <= 4
    assert machine.round_count <= 2


def test_a_wrong_suspicion_costs_looks_and_blames_nobody() -> None:
    for number in range(200):
        lot, history, main, machine = seeded(3000 + number, merged=bool(number % 2))
        commits = history.range_of(main[1], main[-1])
        search = machine.search(TARGETS[0], commits)
        search.suspect(lot.choice(history.commits).commit_id)
        answer = run_searches({TARGETS[0]: search}, machine, worker_count=lot.randint(1, 4), lot=lot)[TARGETS[0]]
        breaks = machine.list_breaks(TARGETS[0], commits)
        assert answer.culprit in breaks if breaks else answer.standing is CulpritStanding.WELL_AT_BAD
    history, line = make_line(1000)
    for suspected in (1, 2, 500, 999):
        machine = Machine(history, {TARGETS[0]: frozenset({"change 333"})})
        search = begin(history, line, confirm=False)
        search.suspect(line[suspected].commit_id)
        answer = run_searches({TARGETS[0]: search}, machine, worker_count=1)[TARGETS[0]]
        assert answer.culprit == line[333]
        assert machine.build_count <= ceil(log2(1000)) + 2


def test_a_suspect_on_a_side_leads_to_the_merge_that_brought_it() -> None:
    history, _, at = make_merge(frozenset({"s2"}))
    search = CulpritSearch(history.range_of(at["base"], at["head"]))
    search.suspect(at["s2"].commit_id)
    for name, sight in (("base", Sight.WELL), ("head", Sight.FAULTY)):
        search.take(seen(at[name], sight))
    assert [probe.commit for probe in search.next_probes(2)] == [at["m2"], at["merge"]]


@pytest.mark.parametrize("told", [True, False], ids=["faults that differ", "one fault that comes back"])
def test_the_present_break_is_found_in_histories_that_were_mended_in_between(told: bool) -> None:
    present = 0
    for number in range(200):
        lot = random.Random(5000 + number)
        history, line = make_line(lot.randint(5, 60))
        broke, mended, again = sorted(lot.sample(range(1, len(line)), 3))
        faults = [(f"change {broke}", f"change {mended}"), (f"change {again}", None)]
        machine = Machine(history, {}, mends={TARGETS[0]: faults}, told=told)
        search = machine.search(TARGETS[0], history.range_of(line[0], line[-1]))
        answer = run_searches({TARGETS[0]: search}, machine, worker_count=lot.randint(1, 4), lot=lot)[TARGETS[0]]
        assert answer.culprit in (line[broke], line[again])
        present += answer.culprit == line[again]
    # Where the very same fault comes back and was not seen to be gone, nobody can tell without building everything.
    assert present == 200 if told else present > 100


def test_a_fault_that_changes_without_being_mended_is_since_its_first_commit() -> None:
    history, line = make_line(30)
    faults = [("change 7", "change 20"), ("change 20", None)]
    machine = Machine(history, {}, mends={TARGETS[0]: faults})
    search = machine.search(TARGETS[0], history.range_of(line[0], line[-1]))
    answer = run_searches({TARGETS[0]: search}, machine, worker_count=1)[TARGETS[0]]
    assert answer.culprit == line[7]


def test_while_looks_are_under_way_further_ones_split_the_widest_gap() -> None:
    history, line = make_line(16)
    search = begin(history, line)
    under_way = {line[8].tree_id}
    assert search.next_probes(1, under_way) == ()
    assert [probe.commit.subject for probe in search.next_probes(2, under_way)] == ["commit 4"]
    # What is not of interest any more does not count.
    search.take(seen(line[7], Sight.FAULTY))
    assert [probe.commit.subject for probe in search.next_probes(1, under_way)] == ["commit 3"]


def test_what_is_held_back_is_not_asked_for_again() -> None:
    history, line = make_line(8)
    search = CulpritSearch(history.range_of(line[0], line[-1]))
    search.hold(line[8].tree_id)
    assert wanted(search, 1) == [("commit 0", False)]


def test_the_last_break_is_found_where_a_target_was_mended_in_between() -> None:
    history, line = make_line(5)
    search = begin(history, line, confirm=False)
    for number, sight in ((1, Sight.FAULTY), (2, Sight.FAULTY), (3, Sight.WELL), (4, Sight.FAULTY)):
        search.take(seen(line[number], sight))
    assert search.conclusion is not None
    assert search.conclusion.culprit == line[4]


def make_merge(fault: frozenset[str]) -> tuple[History, Machine, dict[str, Commit]]:
    """`m1` and `m2` on the line, `s1` to `s3` on a side from the base, merged by `merge`, and one more."""
    history = History()
    at = {"base": history.commit((), "import", TARGETS)}
    for name, parent in (("m1", "base"), ("m2", "m1"), ("s1", "base"), ("s2", "s1"), ("s3", "s2")):
        at[name] = history.commit((at[parent],), name, TARGETS)
    at["merge"] = history.commit((at["m2"], at["s3"]))
    at["head"] = history.commit((at["merge"],), "head", TARGETS)
    return history, Machine(history, {TARGETS[0]: fault}), at


@pytest.mark.parametrize(
    ("fault", "culprit", "before", "merges"),
    [
        ({"s2"}, "s2", "s1", ["merge"]),
        ({"s1"}, "s1", "base", ["merge"]),
        ({"m1"}, "m1", "base", []),
        ({"m1", "s2"}, "merge", "m2", []),
        ({"head"}, "head", "merge", []),
    ],
)
def test_a_merge_is_followed_into_its_side(fault: set[str], culprit: str, before: str, merges: list[str]) -> None:
    history, machine, at = make_merge(frozenset(fault))
    search = machine.search(TARGETS[0], history.range_of(at["base"], at["head"]))
    answer = run_searches({TARGETS[0]: search}, machine, worker_count=2)[TARGETS[0]]
    assert answer == Conclusion(
        standing=CulpritStanding.FOUND,
        culprit=at[culprit],
        before=at[before],
        joins=(at["s3"],) if culprit == "merge" else (),
        merges=tuple(at[name] for name in merges),
        suspects=(at[culprit],),
    )


def test_a_good_commit_on_a_side_is_reached_by_the_parent_that_leads_to_it() -> None:
    history, machine, at = make_merge(frozenset({"m1"}))
    search = machine.search(TARGETS[0], history.range_of(at["s1"], at["head"]))
    answer = run_searches({TARGETS[0]: search}, machine, worker_count=1)[TARGETS[0]]
    assert answer.culprit == at["m1"]
    assert answer.merges == (at["merge"],)


def test_a_side_that_cannot_be_built_leaves_its_commits_and_the_merge_as_suspects() -> None:
    history, machine, at = make_merge(frozenset({"s2"}))
    machine.broken_trees = frozenset({at["s3"].tree_id})
    search = machine.search(TARGETS[0], history.range_of(at["base"], at["head"]))
    answer = run_searches({TARGETS[0]: search}, machine, worker_count=2)[TARGETS[0]]
    assert answer.standing is CulpritStanding.UNDECIDED
    assert answer.suspects == (at["s1"], at["s2"], at["s3"], at["merge"])


def test_ends_that_are_not_as_they_were_said_to_be_are_told() -> None:
    history, line = make_line(3)
    commits = history.range_of(line[0], line[-1])
    well = CulpritSearch(commits, known=[seen(line[3], Sight.WELL)])
    assert wanted(well, 4) == [("commit 3", True)]
    well.take(seen(line[3], Sight.WELL, fresh=True))
    assert well.conclusion == Conclusion(standing=CulpritStanding.WELL_AT_BAD)
    faulty = CulpritSearch(commits, known=[seen(line[3], Sight.FAULTY), seen(line[0], Sight.FAULTY)])
    faulty.take(seen(line[0], Sight.FAULTY, fresh=True))
    assert faulty.conclusion == Conclusion(standing=CulpritStanding.FAULTY_AT_GOOD)


def test_a_good_commit_that_is_no_ancestor_is_refused() -> None:
    history, _, at = make_merge(frozenset({"s2"}))
    message = (
        f"culprit: {at['head'].short_id} is no ancestor of {at['base'].short_id}; "
        "name a commit of the same line, at which the target was still well"
    )
    with pytest.raises(UsageError) as caught:
        history.range_of(at["head"], at["base"])
    assert str(caught.value) == message


def test_workers_are_shared_and_what_one_search_leaves_another_takes() -> None:
    history, line = make_line(32)
    searches = {name: begin(history, line) for name in ("arm/mere", "mips/holm")}
    for number in range(1, 32):
        searches["mips/holm"].take(seen(line[number], Sight.WELL if number < 30 else Sight.FAULTY))
    # One wants two looks to confirm, the other may use all that is left.
    shared = Desk({name: Alone(search) for name, search in searches.items()}, 8).hand_out()
    assert [name for name, _ in shared] == ["arm/mere"] * 6 + ["mips/holm"] * 2
    # With fewer workers than searches everybody still gets one look a round: builds wait for workers, not searches.
    assert len(Desk({name: Alone(search) for name, search in searches.items()}, 1).hand_out()) == 2


def test_the_same_sights_give_the_same_conclusion_in_any_order() -> None:
    history, line = make_line(12)
    sights = [seen(commit, Sight.WELL if number < 7 else Sight.FAULTY) for number, commit in enumerate(line)]
    answers = set()
    for number in range(20):
        random.Random(number).shuffle(sights)
        search = CulpritSearch(history.range_of(line[0], line[-1]), known=sights, confirm=False)
        answers.add(search.conclusion)
    assert [answer.culprit for answer in answers if answer] == [line[7]]


def test_probes_name_commits() -> None:
    history, line = make_line(2)
    assert begin(history, line).next_probes(1) == (Probe(commit=line[1]),)
