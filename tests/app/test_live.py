"""What the app keeps of a run: bounded, and whole for whoever comes late."""

from __future__ import annotations

import json

from brickbook.app.live import POINTS, Trace, Watch


def line(n, event, **fields):
    return json.dumps({"n": n, "at": "2026-11-25T11:02:03.000Z", "t": float(n), "event": event, **fields}) + "\n"


def begin(folder, count):
    text = line(0, "run-started", tasks=["a", "b"], simulated=True) + line(1, "task-started", task="a", steps=2)
    text += line(2, "step-started", task="a", step=0, label="full load")
    text += "".join(line(3 + k, "reading", task="a", step=0, values={"mains_power_w": float(k)}) for k in range(count))
    (folder / "journal.jsonl").write_text(text)


def more(folder, text):
    with (folder / "journal.jsonl").open("a") as file:
        file.write(text)


def test_a_trace_is_bounded_and_spans_all():
    trace = Trace()
    for k in range(100_000):
        trace.add(float(k), float(k))
        assert len(trace.times) <= POINTS
    assert len(trace.times) > POINTS // 3
    assert trace.times[0] == 0.0
    assert trace.times[-1] > 99_000
    steps = {b - a for a, b in zip(trace.times, trace.times[1:], strict=False)}
    assert len(steps) == 1


def test_whole_at_first_and_news_after(tmp_path):
    begin(tmp_path, 10)
    watch = Watch(tmp_path)
    first = watch.since(-1)
    assert first["whole"]
    assert first["traces"]["mains_power_w"]["v"] == [float(k) for k in range(10)]
    assert (first["task"], first["step"], first["label"], first["n"]) == ("a", 0, "full load", 12)
    assert watch.since(12) is None
    more(tmp_path, line(13, "reading", task="a", step=0, values={"mains_power_w": 5.0}))
    watch._looked = 0.0
    news = watch.since(12)
    assert not news["whole"]
    assert news["news"] == [[13.0, {"mains_power_w": 5.0}]]
    assert news["readings"] == {"mains_power_w": 5.0}


def test_one_too_far_behind_gets_the_whole(tmp_path):
    begin(tmp_path, 5000)
    watch = Watch(tmp_path)
    watch.status()
    assert watch.since(20)["whole"]
    assert not watch.since(4990)["whole"]
    assert watch.status().reading_count == 5000


def test_a_new_task_clears_the_traces(tmp_path):
    begin(tmp_path, 5)
    watch = Watch(tmp_path)
    watch.since(-1)
    more(tmp_path, line(8, "task-ended", task="a", raw=["a.csv"]) + line(9, "task-started", task="b", steps=1))
    more(tmp_path, line(10, "reading", task="b", step=0, values={"port_voltage_v@C1": 20.0}))
    watch._looked = 0.0
    news = watch.since(7)
    assert news["whole"]
    assert list(news["traces"]) == ["port_voltage_v@C1"]
    assert news["done"] == ["a"]


def test_asked_and_torn_lines(tmp_path):
    begin(tmp_path, 1)
    more(tmp_path, '{"n": 4, "torn\n' + line(5, "asked", task="a", what="reading", key="k", text="Mass?", unit="g"))
    watch = Watch(tmp_path)
    plain = watch.picture()
    assert plain["asked"] == {
        "key": "k",
        "what": "reading",
        "text": "Mass?",
        "unit": "g",
        "quantity": "",
        "problem": "",
    }
    assert plain["state"] == "broken off"  # nobody holds its pid file
