"""A rehearsal over live streams on loopback: its virtual person, its study, and somebody at the keyboard."""

from decussa.compose.rehearsals import new_rehearsal
from decussa.compose.virtual_people import virtual_person
from decussa.model.dialogue import Deliver
from decussa.protocol.schema import load_protocol
from decussa.session.operator import Stop, Unattended
from decussa.source.virtual.source import VirtualSource

SEED = 7
SESSION = f"V-{SEED:04d}-1"


def person():
    protocol, _ = load_protocol("forearm")
    return virtual_person(protocol, SEED, hard="drawn")


def make_study(folder, sender=None):
    """A study with that person; it listens to one sender, where one is given."""
    new_rehearsal("forearm", folder, seed=SEED, at="2026-01-05T09:00:00.000Z")
    if sender is not None:
        text = f'this_machine_only = true\n[[emg]]\nname = "{sender.name}"\nsource_id = "{sender.source_id}"\n'
        (folder / "streams.toml").write_text(text + '[torque]\nchannel = "Torque"\n', encoding="utf-8")
    return folder


class Operator:
    """Passes every gate, asks the virtual person what only the person can say, and may stop after so many stimuli."""

    code = "OP1"

    def __init__(self, most=None):
        self._person, self._nobody, self._left = VirtualSource(person()), Unattended(), most

    def confirm_gate(self, gate):  # noqa: ARG002
        return True

    def answer(self, request):
        said = self._person.answer(request)
        return request.default if said is None else said

    def commands(self, request, due_s):  # noqa: ARG002
        if self._left is None:
            return ()
        if isinstance(request, Deliver):
            self._left -= 1
        return (Stop("enough"),) if self._left < 0 else ()

    def wait_to_go_on(self):
        return None

    def say_outcome(self, request, number):
        return self._nobody.say_outcome(request, number)
