"""Work that two processes share is done wholly, whatever becomes of the one that helps."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

# Each in a process of its own: one with threads, as that of these tests may be, is never copied.
_HEAD = """
import json, os, signal, sys
from gatekeep.report.site.sharing import share_work
here = os.getpid()
def helps():
    return os.getpid() != here
# The first process lets the helper have its share; a pipe says when.
begun = os.pipe()
def tell():
    os.write(begun[1], b"x" * 2000)
"""


def run(body: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", _HEAD + body],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_both_processes_do_some_and_every_answer_is_in_its_place() -> None:
    """Neither goes on before the other has begun."""
    done = run("""
met = os.pipe()
has_begun = False
def do(number):
    global has_begun
    if not has_begun:
        has_begun = True
        os.write((begun if helps() else met)[1], b"x")
        os.read((met if helps() else begun)[0], 1)
    return [number, helps()]
print(json.dumps(share_work(1000, do, workers=2)))
""")
    found = json.loads(done.stdout)
    assert [number for number, _ in found] == list(range(1000))
    assert {helped for _, helped in found} == {True, False}


@pytest.mark.parametrize(
    "fate",
    [
        "os.kill(os.getpid(), signal.SIGKILL)",
        "os._exit(3)",
        "raise MemoryError",
        "os.kill(os.getpid(), signal.SIGTERM)",
        "sys.exit(0)",
    ],
)
def test_what_a_helper_leaves_undone_is_done_by_the_first_process(fate: str) -> None:
    done = run(f"""
claimed = 0
def do(number):
    global claimed
    if helps():
        claimed += 1
        if claimed == 30:
            tell()
            {fate}
    elif claimed == 0:
        claimed = 1
        os.read(begun[0], 1)
    return number
print(share_work(1000, do, workers=2) == list(range(1000)))
""")
    assert (done.stdout, done.returncode) == ("True\n", 0), done.stderr


def test_a_fault_is_that_of_the_first_process_wherever_it_was_met() -> None:
    done = run("""
def do(number):
    if number == 700:
        raise OSError(28, "No space left on device", "page.html")
    return number
try:
    share_work(1000, do, workers=2)
except OSError as error:
    print(error, helps())
    # The helper is gone and waited for.
    try:
        os.waitpid(-1, 0)
    except ChildProcessError:
        print("alone")
""")
    assert done.stdout.splitlines() == ["[Errno 28] No space left on device: 'page.html' False", "alone"]


@pytest.mark.parametrize(("count", "workers"), [(1000, 1), (7, 2), (0, 2)])
def test_little_work_or_one_worker_makes_no_second_process(count: int, workers: int) -> None:
    done = run(f"print(share_work({count}, lambda number: helps(), workers={workers}) == [False] * {count})")
    assert done.stdout == "True\n"


def test_what_cannot_be_shared_is_done_while_the_helper_is_at_work() -> None:
    """It waits until the helper has done some, and so would wait for ever if it came first."""
    done = run("""
def do(number):
    if helps() and number == 3:
        tell()
    return number
def meanwhile():
    print(helps(), len(os.read(begun[0], 1)))
print(share_work(1000, do, workers=2, meanwhile=meanwhile) == list(range(1000)))
""")
    assert done.stdout == "False 1\nTrue\n", done.stderr


def test_what_cannot_be_shared_is_done_once_without_a_helper_too() -> None:
    done = run("""
share_work(7, lambda number: helps(), workers=2, meanwhile=lambda: print("done", helps()))
""")
    assert done.stdout == "done False\n"


def test_a_fault_of_what_cannot_be_shared_ends_the_helper() -> None:
    done = run("""
def fail():
    raise ValueError("not possible")
try:
    share_work(1000, lambda number: number, workers=2, meanwhile=fail)
except ValueError as error:
    print(error)
    try:
        os.waitpid(-1, 0)
    except ChildProcessError:
        print("alone")
""")
    assert done.stdout.splitlines() == ["not possible", "alone"]


def test_a_process_with_threads_is_not_copied() -> None:
    done = run("""
import threading
ending = threading.Event()
thread = threading.Thread(target=ending.wait)
thread.start()
print(any(share_work(1000, lambda number: helps(), workers=2)))
ending.set()
""")
    assert done.stdout == "False\n"


def test_a_helper_ends_with_the_first_process() -> None:
    done = run("""
first, second = os.pipe()
if os.fork() == 0:
    here = os.getpid()
    def do(number):
        if not helps():
            os.read(begun[0], 1)
            os.kill(here, signal.SIGKILL)
        os.write(second, b"x")
        tell()
        while os.getppid() == here:
            os.sched_yield()
        return "a report that is longer than a pipe holds, so that nobody may wait for its reader" * 2000
    share_work(1000, do, workers=2)
os.close(second)
# Ends when nobody holds the other end.
while os.read(first, 100):
    pass
print("ended")
""")
    assert done.stdout == "ended\n", done.stderr
