"""In the terminal the operator can say that no pulse will come; what is piped in stays for the questions."""

import os
import threading

from decussa.command.waiting import TerminalWatch
from decussa.model.dialogue import Deliver
from decussa.model.stimulus import Stimulus

REQUEST = Deliver(stimulus=Stimulus.single(50), step="s", muscle="FDI right")


def test_the_word_ends_the_wait_and_nothing_else_does(capsys):
    hand, terminal = os.openpty()
    given_up = threading.Event()
    with os.fdopen(terminal, closefd=True) as keys:
        watch = TerminalWatch(keys)
        watch.await_pulse(REQUEST, 1, given_up.set)
        os.write(hand, b"\n")
        assert not given_up.wait(0.3)
        os.write(hand, b"n\n")
        assert given_up.wait(5.0)
        watch.pulse_over()

        given_up.clear()
        os.write(hand, b"n\n")
        watch.await_pulse(REQUEST, 2, given_up.set)
        assert not given_up.wait(0.3)
        watch.pulse_over()
    os.close(hand)

    assert capsys.readouterr().out.count("n and Enter") == 1


def test_what_is_piped_in_is_left_alone():
    reads, writes = os.pipe()
    os.write(writes, b"n\n")
    given_up = threading.Event()
    with os.fdopen(reads) as piped:
        watch = TerminalWatch(piped)
        watch.await_pulse(REQUEST, 1, given_up.set)
        assert not given_up.wait(0.3)
        watch.pulse_over()
        os.close(writes)
        assert piped.read() == "n\n"
