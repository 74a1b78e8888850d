"""
What one matrix asks less strictly than another.

A change cannot loosen its own gate, so whatever a matrix of the change asks less of is a reason of its own. The rule
here: what is not provably as strict counts as looser. A range of a part that moves is looser, since it may hold what
another one kept out; one that shrinks in place is not. Another command to boot an image is looser, since it may say
what the image does not. What only grows is never looser: more targets, claims, rules, warning options, texts that a
console has to say.

Compared is what targets of the base have, as resolved: whether a board's part was changed or the board was given
another part is one question. A target that is gone is no loosening here; the judge has a rule for it. Nor is what
cannot be read from a matrix: a Makefile may drop `-Wall` as well as a recipe may. What the format gains has to be
compared here; a test holds every field against this room's list.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from gatekeep.judge.build_loosening import compare_builds
from gatekeep.judge.limit_loosening import list_new_demands
from gatekeep.judge.storage_limits import Looser, compare_own_storage, compare_parts
from gatekeep.judge.version_range import is_within
from gatekeep.judge.waiver_loosening import compare_waivers
from gatekeep.judge.warning_options import count_options, is_silencing
from gatekeep.model.matrix import (
    Approver,
    Boot,
    CacheWish,
    Matrix,
    Place,
    Port,
    Recipe,
    Rules,
    RuleStrength,
    Target,
    Toolchain,
)
from gatekeep.model.quantity import render_exact_bytes
from gatekeep.model.waiver import Waiver


@dataclass(frozen=True, slots=True, kw_only=True)
class Loosening:
    """
    One thing that is asked less strictly.

    `subject` names what was changed ("the part inner-16", "the rules"); empty where it is the targets themselves.
    `aspect` says which of its properties, in the same words at every commit and for every value. `message` is one
    sentence without the subject, with the exact values of both matrices. `targets` are names, sorted; empty for the
    rules and claims. `place` is where the newer matrix says it, None where it has no place of its own.
    """

    subject: str
    aspect: tuple[str, ...]
    message: str
    targets: tuple[str, ...]
    place: Place | None = field(default=None, compare=False)

    @property
    def statement(self) -> str:
        """
        All of it in one line that names no line of a file: `the part inner-16: …; arm/wick, riscv32/gill`.

        What somebody approves is bound to these lines, so they change when a value or a target does, and only then.
        """
        subject = f"{self.subject}: " if self.subject else ""
        return f"{subject}{self.message}; {', '.join(self.targets) or 'every target'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looser:
    """A loosening of one target, or of none in particular."""

    subject: str
    aspect: tuple[str, ...]
    message: str
    target: str | None = None
    place: Place | None = None


def list_loosenings(
    base: Matrix, head: Matrix, base_waivers: Sequence[Waiver] = (), head_waivers: Sequence[Waiver] = ()
) -> tuple[Loosening, ...]:
    """
    Compare two matrices, and what is waived of them.

    Args:
        base: The one that judges.
        head: One of the change.
        base_waivers: Those that lie beside the first.
        head_waivers: Those that lie beside the second.

    Returns:
        Each loosening once with all its targets, sorted by subject, aspect and message, whatever the order of the
        matrices' entries; empty when nothing is looser.
    """
    if base is head and base_waivers == head_waivers:
        return ()
    groups: dict[tuple[str, tuple[str, ...], str], list[_Looser]] = {}
    for found in (*_iter_looser(base, head), *_iter_waived(base_waivers, head_waivers)):
        groups.setdefault((found.subject, found.aspect, found.message), []).append(found)
    return tuple(
        Loosening(
            subject=subject,
            aspect=aspect,
            message=message,
            targets=tuple(sorted({found.target for found in members if found.target is not None})),
            place=members[0].place if len({found.place for found in members}) == 1 else None,
        )
        for (subject, aspect, message), members in sorted(groups.items())
    )


def _iter_looser(base: Matrix, head: Matrix) -> Iterator[_Looser]:
    yield from _compare_rules(base.rules, head.rules)
    claimed = {claim.pattern for claim in head.claims}
    for claim in base.claims:
        if claim.pattern not in claimed:
            message = f"{claim.pattern} is claimed no longer"
            yield _Looser(subject="the claims", aspect=("claims", claim.pattern), message=message)
    yield from _compare_approvers(base.approvers, head.approvers)
    for new, (aspect, message) in list_new_demands(base, head):
        yield _Looser(subject="", aspect=("new", *aspect), message=message, target=new.name, place=new.place)
    grown = frozenset(name for name, _ in base.rules.growth_per_change)
    targets = {target.name: target for target in head.targets}
    ports = {port.name: port for port in head.ports}
    ports_before = {port.name: port for port in base.ports}
    for before in base.targets:
        after = targets.get(before.name)
        if after is None:
            continue
        if before != after:
            yield from _compare_targets(before, after, grown, base.rules)
        port_before, port_after = ports_before.get(before.port), ports.get(after.port)
        if port_before is not None and port_after is not None and port_before != port_after:
            yield from _compare_ports(port_before, port_after, before.name)


def _iter_waived(base: Sequence[Waiver], head: Sequence[Waiver]) -> Iterator[_Looser]:
    for found in compare_waivers(base, head):
        yield _Looser(
            subject=f"the waiver {found.name}",
            aspect=("waivers", found.name, found.rule.value),
            message=found.message,
            target=found.target,
            place=found.place,
        )


def _compare_approvers(base: Sequence[Approver], head: Sequence[Approver]) -> Iterator[_Looser]:
    """Whoever may approve may loosen: a key that is new, or has another name or a later last day."""
    known = {(one.name, one.key): one for one in base}
    for approver in head:
        before = known.get((approver.name, approver.key))
        if before is None:
            message = f"{approver.name} may approve by the key {approver.fingerprint}, and could not"
        elif before.until is not None and (approver.until is None or approver.until > before.until):
            until = f"until {approver.until}" if approver.until is not None else "for ever"
            message = f"the key of {approver.name} counts {until}, and no longer only until {before.until}"
        else:
            continue
        aspect = ("approvers", approver.name, approver.fingerprint)
        yield _Looser(subject="the approvers", aspect=aspect, message=message, place=approver.place)


def _compare_rules(base: Rules, head: Rules) -> Iterator[_Looser]:
    subject = "the rules"
    if base.new_warnings is RuleStrength.BLOCK and head.new_warnings is not RuleStrength.BLOCK:
        message = "new warnings are only reported, and block no longer"
        yield _Looser(subject=subject, aspect=("rules", "new_warnings"), message=message)
    limits = dict(head.growth_per_change)
    for name, limit_bytes in base.growth_per_change:
        limit_now = limits.get(name)
        aspect = ("rules", "growth_per_change", name)
        was = render_exact_bytes(limit_bytes)
        if limit_now is None:
            message = f"the growth limit of {name}, {was} in one change, is removed"
            yield _Looser(subject=subject, aspect=aspect, message=message)
        elif limit_now > limit_bytes:
            message = f"the growth limit of {name} is raised from {was} to {render_exact_bytes(limit_now)}"
            yield _Looser(subject=subject, aspect=aspect, message=message)

    if head.waiver_days > base.waiver_days:
        message = f"a waiver may last {head.waiver_days} days, and no longer only {base.waiver_days}"
        yield _Looser(subject=subject, aspect=("rules", "waiver_days"), message=message)


def _compare_targets(base: Target, head: Target, grown: frozenset[str], rules: Rules) -> Iterator[_Looser]:
    """Compare one target; `grown` are the regions whose growth the base's rules limit."""
    name = base.name
    for aspect, message in compare_own_storage(base, head, grown):
        yield _Looser(subject="", aspect=aspect, message=message, target=name, place=head.place)
    if base.part is not None and head.part is not None and base.part != head.part:
        subject = _name_subject("part", base.part.name, head.part.name)
        for aspect, message in compare_parts(base, head, grown):
            yield _Looser(subject=subject, aspect=aspect, message=message, target=name)
    if base.toolchain != head.toolchain:
        subject = _name_subject("toolchain", base.toolchain.name, head.toolchain.name)
        for aspect, message in _compare_toolchains(base.toolchain, head.toolchain):
            yield _Looser(subject=subject, aspect=("toolchain", *aspect), message=message, target=name)
    if base.recipe != head.recipe:
        subject = _name_subject("recipe", base.recipe.name, head.recipe.name)
        for aspect, message in _compare_recipes(base.recipe, head.recipe, rules):
            yield _Looser(subject=subject, aspect=("recipe", *aspect), message=message, target=name)
    for aspect, message in _compare_boots(base, head):
        yield _Looser(subject="", aspect=("boot", *aspect), message=message, target=name, place=head.place)


def _compare_boots(base: Target, head: Target) -> Iterator[Looser]:
    """Who has to say more is held more strictly, as long as what had to be said before still comes in its order."""
    before, after = base.boot, head.boot
    if before is None:
        return
    if after is None:
        yield (), "the image is no longer booted"
        return
    was, now = (shlex.join(_list_boot_words(boot, target.recipe)) for boot, target in ((before, base), (after, head)))
    if was != now:
        yield ("command",), f"it is booted by {now}, and no longer by {was}"
    at = 0
    for text in before.expect:
        if text in after.expect[at:]:
            at = after.expect.index(text, at) + 1
        else:
            turn = " in its turn" if text in after.expect else ""
            yield ("expect", text), f"the console no longer has to say '{text}'{turn}"
    if after.time_limit_s > before.time_limit_s:
        yield ("time_limit",), f"{_say_longer(before.time_limit_s, after.time_limit_s)} for its boot"


def _list_boot_words(boot: Boot, recipe: Recipe) -> Iterator[str]:
    """Give the words of a command; which files a recipe leaves is its own affair."""
    for word in boot.command:
        for name, file in (("{elf}", recipe.elf), ("{image}", recipe.image)):
            word = word.replace(file, name) if file else word
        yield word


def _say_longer(was_s: float, now_s: float) -> str:
    # 15 digits hold whatever a matrix can say: a week, and nine digits after the point.
    return f"the time limit is raised from {was_s:.15g} s to {now_s:.15g} s"


def _name_subject(kind: str, before: str, after: str) -> str:
    return f"the {kind} {before}" if before == after else f"the {kind} {after} (was {before})"


def _compare_toolchains(base: Toolchain, head: Toolchain) -> Iterator[Looser]:
    if base.probe != head.probe:
        was, now = shlex.join(base.probe), shlex.join(head.probe)
        yield ("probe",), f"its version is asked by '{now}', and no longer by '{was}'"
    if not is_within(head.allow, base.allow):
        now = f"versions {head.allow} are" if head.allow else "every version is"
        yield ("allow",), f"{now} allowed, and no longer only {base.allow}"
    yield from _compare_caches(base.compile_cache, head.compile_cache)
    kept = frozenset(head.programs)
    for program in base.programs:
        if program not in kept:
            shown = program if isinstance(program, str) else shlex.join(program)
            yield ("programs", shown), f"'{shown}' is no longer held against its digest"


def _compare_caches(base: CacheWish | None, head: CacheWish | None) -> Iterator[Looser]:
    """Builds write into a compile cache: whoever is given one has to trust all who propose changes."""
    if head is not None:
        for compiler in head.in_front_of:
            if base is None or compiler not in base.in_front_of:
                yield ("compile_cache", compiler), f"objects of {compiler} may be taken from a compile cache"
        if base is not None and head.program != base.program:
            message = f"its compile cache is {head.program}, and no longer {base.program}"
            yield ("compile_cache", "program"), message


def _compare_recipes(base: Recipe, head: Recipe, rules: Rules) -> Iterator[Looser]:
    """Which file is checked is the recipe's own affair; that one is checked is not."""
    if head.time_limit_s > base.time_limit_s:
        yield ("time_limit",), _say_longer(base.time_limit_s, head.time_limit_s)
    for aspect, was, now in (
        ("memory_limit", base.memory_limit_bytes, head.memory_limit_bytes),
        ("disk_limit", base.disk_limit_bytes, head.disk_limit_bytes),
    ):
        if now > was:
            words = aspect.replace("_", " ")
            yield (aspect,), f"the {words} is raised from {render_exact_bytes(was)} to {render_exact_bytes(now)}"
    if base.elf is not None and head.elf is None:
        yield ("elf",), "no ELF file is checked any more"
    if base.image is not None and head.image is None:
        yield ("image",), "no image is checked any more"
    gone = [archive for archive in base.archives if archive not in head.archives]
    added = [archive for archive in head.archives if archive not in base.archives]
    if len(gone) > len(added):
        for archive in gone:
            yield ("archives", archive), f"archive {archive} is not checked any more"
    for variable in head.keep_environment:
        if variable not in base.keep_environment:
            yield (
                ("keep_environment", variable),
                f"builds are given {variable} of the environment that gatekeep runs in",
            )
    lost = tuple(_compare_warning_options(base, head))
    yield from lost
    if rules.new_warnings is RuleStrength.BLOCK:
        yield from compare_builds(base, head, {aspect[-1] for aspect, _ in lost})


def _compare_warning_options(base: Recipe, head: Recipe) -> Iterator[Looser]:
    """Look at whole commands and variables: a recipe of fewer commands may well hold an option less often."""
    before, after = (count_options(_list_texts(recipe)) for recipe in (base, head))
    is_shorter = len(_list_texts(head)) < len(_list_texts(base))
    for option in sorted(before.keys() | after.keys()):
        was, now = before[option], after[option]
        if is_silencing(option):
            if now > was:
                yield ("warnings", option), f"{option} is passed now, which silences warnings"
        elif now < was and not (now and is_shorter):
            yield ("warnings", option), f"{option} is no longer passed"


def _list_texts(recipe: Recipe) -> tuple[str, ...]:
    return (*("\n".join(command) for command in recipe.build), *(value for _, value in recipe.environment))


def _compare_ports(base: Port, head: Port, target: str) -> Iterator[_Looser]:
    """What is said of a port is checked in every ELF file; what is not said is not."""
    for key, what, before, after in (
        ("machine", "machine", base.machine, head.machine),
        ("bits", "number of bits", base.bits, head.bits),
        ("byte_order", "byte order", base.byte_order, head.byte_order),
    ):
        if before is not None and before != after:
            if after is None:
                message = f"the {what} of its ELF files, {before}, is no longer checked"
            else:
                message = f"the {what} of its ELF files is changed from {before} to {after}"
            yield _Looser(
                subject=f"the port {base.name}",
                aspect=("port", base.name, key),
                message=message,
                target=target,
                place=head.place,
            )
