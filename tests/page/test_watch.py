"""The page is served as long as somebody looks at it."""

from __future__ import annotations

import threading
import time

from stitch.page.watch import Watch


def waiter(watch: Watch) -> threading.Thread:
    thread = threading.Thread(target=watch.wait_until_closed, kwargs={"tick_s": 0.01}, daemon=True)
    thread.start()
    return thread


def test_before_a_page_was_opened_there_is_no_end() -> None:
    watch = Watch(grace_s=0.02)
    thread = waiter(watch)
    thread.join(0.2)
    assert thread.is_alive()
    watch.end()
    thread.join(5)
    assert not thread.is_alive()


def test_it_ends_after_the_last_page_was_closed() -> None:
    watch = Watch(grace_s=0.05)
    with watch.page():
        thread = waiter(watch)
        with watch.page():
            pass
        thread.join(0.3)
        assert thread.is_alive()
    thread.join(5)
    assert not thread.is_alive()


def test_a_page_that_is_loaded_again_in_time_goes_on() -> None:
    watch = Watch(grace_s=0.4)
    with watch.page():
        thread = waiter(watch)
    time.sleep(0.05)
    with watch.page():
        thread.join(0.6)
        assert thread.is_alive()
    watch.end()
    thread.join(5)
    assert not thread.is_alive()


def test_a_change_wakes_who_waits_for_news() -> None:
    watch = Watch()
    assert watch.next((0, 0), 0.01) == (0, 0)
    threading.Timer(0.05, watch.tell, (7,)).start()
    assert watch.next((0, 0), 10) == (7, 0)
    watch.end()
    assert watch.next((7, 0), 10) is None
