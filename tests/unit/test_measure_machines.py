"""The names of the machines."""

from elftools.elf.enums import ENUM_E_MACHINE

from gatekeep.model.machines import MACHINES, name_machine


def test_every_number_equals_an_independent_readers():
    """pyelftools' table of e_machine, which follows the System V gABI."""
    assert {name: ENUM_E_MACHINE[f"EM_{name}"] for name in MACHINES} == MACHINES


def test_a_number_has_one_name():
    assert [name_machine(number) for number in MACHINES.values()] == list(MACHINES)
    assert name_machine(64_999) == "machine 64999"
