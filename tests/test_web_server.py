"""The server of the bench page: who may ask what, what is refused, and what ends with it."""

import asyncio
import contextlib
import json
import os
import signal
import socket
import time
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner
from starlette.websockets import WebSocketDisconnect
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from page_server import Page, hello, live, page_server
from whichcore.cli.root import root
from whichcore.web.app import LONGEST_UPLOAD, Desks, make_app
from whichcore.web.child import Refused
from whichcore.web.guard import Guarded, loopback_hosts
from whichcore.web.live import MOST_WAITING, Hub

RING = """
[core]
shape = "ring"
outer_diameter = "25.10 mm"
inner_diameter = "14.95 mm"
height = "10.08 mm"
dimension_uncertainty = "0.03 mm"
[winding]
turns = 10
"""
HERE = {"host": "127.0.0.1:8130", "origin": "http://127.0.0.1:8130"}


class InProcess:
    """A client of the application itself; no child process is started."""

    def __init__(self, rules, base_url):
        self._app, self._base_url = make_app(rules), base_url

    def request(self, method, path, **more):
        async def once():
            transport = httpx.ASGITransport(self._app)
            async with httpx.AsyncClient(transport=transport, base_url=self._base_url) as client:
                return await client.request(method, path, **more)

        return asyncio.run(once())

    def get(self, path, **more):
        return self.request("GET", path, **more)

    def post(self, path, **more):
        return self.request("POST", path, **more)

    def put(self, path, **more):
        return self.request("PUT", path, **more)


@pytest.fixture
def client():
    return InProcess(Guarded(loopback_hosts(8130)), "http://127.0.0.1:8130")


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    home = tmp_path_factory.mktemp("home")
    with page_server(home) as (address, process):
        yield address, process, home


# --- who may ask -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["127.0.0.1:8130", "localhost:8130", "[::1]:8130", "LOCALHOST:8130"])
def test_this_machine_by_its_own_names_is_let_in(client, host):
    answer = client.get("/", headers={"host": host})
    assert answer.status_code == 200
    assert "text/html" in answer.headers["content-type"]


@pytest.mark.parametrize(
    "host", ["evil.example:8130", "127.0.0.1", "127.0.0.1:81", "127.0.0.1.evil.example:8130", ""]
)
def test_another_name_is_refused_whatever_is_asked(client, host):
    for path in ("/", "/static/index.html", "/ask/state"):
        answer = client.get(path, headers={"host": host})
        assert answer.status_code == 421
        assert answer.json()["error"]["code"] == "refused"


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:8131"},
        {"origin": "http://evil.example/127.0.0.1:8130"},
        {"sec-fetch-site": "cross-site", "origin": HERE["origin"]},
        {"sec-fetch-site": "same-site", "origin": HERE["origin"]},
    ],
)
def test_a_request_from_another_page_is_refused(client, headers):
    for call in (
        lambda h: client.post("/ask/state", json={}, headers=h),
        lambda h: client.put("/upload/x.toml", content=b"", headers=h),
        lambda h: client.get("/", headers=h),
    ):
        assert call({"host": HERE["host"], **headers}).status_code == 403


def test_a_change_without_an_origin_is_refused(client):
    assert client.post("/ask/state", json={}, headers={"host": HERE["host"]}).status_code == 403


def test_every_answer_carries_the_strict_policy(client):
    for path in ("/", "/nowhere", "/static/index.html"):
        headers = client.get(path, headers=HERE).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert "access-control-allow-origin" not in headers


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e%2f%2e%2e%2ferrors.py",
        "/static//etc/passwd",
        "/etc/passwd",
        "/static/",
    ],
)
def test_nothing_but_the_page_s_own_files_is_handed_out(client, path):
    answer = client.get(path, headers=HERE)
    assert answer.status_code in {400, 404, 405}
    assert b"import" not in answer.content
    assert b"root:" not in answer.content


@pytest.mark.parametrize(
    ("name", "status"), [("x.exe", 400), ("x.py", 400), ("x", 400), ("x.pkl", 400), ("x.toml.sh", 400)]
)
def test_uploads_of_other_kinds_are_refused(client, name, status):
    answer = client.put(f"/upload/{name}", content=b"x", headers=HERE)
    assert answer.status_code == status
    assert ".toml" in answer.json()["error"]["allowed"]


def test_a_token_is_needed_where_others_can_reach_it():
    rules = Guarded(frozenset({"bench.shop:9000"}), "secret-of-the-day")
    outside = InProcess(rules, "http://bench.shop:9000")
    assert outside.get("/").status_code == 401
    assert outside.get("/?token=wrong").status_code == 401
    first = outside.get("/?token=secret-of-the-day")
    assert (first.status_code, first.headers["location"]) == (303, "/")
    cookie = first.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    given = first.headers["set-cookie"].partition(";")[0]
    assert outside.get("/", headers={"cookie": given}).status_code == 200
    assert outside.get("/", headers={"cookie": "whichcore_token=wrong"}).status_code == 401


# --- what is asked -----------------------------------------------------------------------------------------


def test_a_core_is_checked_as_it_is_typed(server):
    page = Page(server[0])
    told = page.ask("core.check", specimen=RING)
    # computed: ring 25.10/14.95/10.08 mm, C1 = 2 pi/(h ln(d2/d1)), L0 = mu0 N^2/C1
    assert told["air_inductance_h"] == pytest.approx(1.0446e-7, rel=1e-4)
    wrong = page.ask("core.check", specimen=RING.replace('"25.10 mm"', "25.10"))
    assert wrong["code"] == "input"
    assert "outer_diameter" in wrong["where"]


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"{", "cannot be read"),
        (b"[]", "cannot be read"),
        (b"\xff", "cannot be read"),
        (b'{"text": ' + 100_000 * b"[", "cannot be read"),
        (b'{"core": NaN}', "cannot be understood"),
    ],
)
def test_a_question_that_is_none_is_one_line(server, content, what):
    answer = Page(server[0]).request("POST", "/ask/state", content=content)
    assert answer.status_code == 400
    assert what in answer.json()["error"]["what"]


@pytest.mark.parametrize(
    ("call", "args", "what"),
    [
        ("no.such", {}, "no such call"),
        ("core.check", {}, "cannot be understood"),
        ("core.check", {"specimen": RING, "extra": 1}, "cannot be understood"),
        ("core.check", {"specimen": None}, "text was expected"),
        ("calibrate", {"bench": "virtual", "points_per_decade": 10**9}, "finer than six digits"),
        ("calibrate", {"bench": "virtual", "from_hz": -1}, "no grid"),
        ("records.show", {"record": "../../etc"}, "no id"),
        ("records.search", {"kind": "drawer"}, "cannot be understood"),
        ("library.list", {"libraries": ["/etc"]}, "no such library"),
        ("sweep", {"bench": "/etc/passwd", "specimen": RING, "name": "x"}, "no such bench"),
        ("sweep", {"bench": "virtual", "specimen": RING, "name": "x"}, "what to fit"),
        (
            "sweep",
            {"bench": "virtual", "specimen": RING, "name": "x", "core": "bin-h", "journal": "../x.csv"},
            "no such sweep",
        ),
        ("judge.identify", {"specimen": RING, "name": "x"}, "nothing to judge by"),
    ],
)
def test_a_wrong_question_is_one_line_and_the_next_is_answered(server, call, args, what):
    page = Page(server[0])
    assert what in page.ask(call, **args)["what"]
    assert page.ask("core.check", specimen=RING)["turns"] == 10


def test_an_upload_is_kept_under_a_name_of_our_own_and_no_other(server):
    address, _, home = server
    page = Page(address)
    told = page.request("PUT", "/upload/..%2f..%2fmy core.toml", content=RING.encode())
    if told.status_code == 200:
        assert "my core" not in told.json()["result"]["upload"]
    told = page.request("PUT", "/upload/my core.toml", content=RING.encode()).json()["result"]
    assert told["specimen"] == RING
    kept = list((home / "page" / "uploads").iterdir())
    assert told["upload"] in {path.name for path in kept}
    wrong = page.request("PUT", "/upload/x.toml", content=b"[core]\nshape = 'egg'\n")
    assert wrong.status_code == 400
    assert len(list((home / "page" / "uploads").iterdir())) == len(kept)


def test_a_huge_upload_is_refused_before_it_is_kept(server):
    address, _, home = server
    before = sorted((home / "page").rglob("*"))
    answer = Page(address).request("PUT", "/upload/x.png", content=bytes(LONGEST_UPLOAD + 1))
    assert answer.status_code == 400
    assert "too large" in answer.json()["error"]["what"]
    assert sorted((home / "page").rglob("*")) == before


def test_a_page_of_another_site_gets_no_live_line(server):
    address = server[0].replace("http", "ws") + "live?page=x"
    with pytest.raises(InvalidStatus) as caught:
        connect(address, origin="http://evil.example")
    assert caught.value.response.status_code == 403
    with pytest.raises(InvalidStatus):
        connect(address)


# --- the bench is driven by one ----------------------------------------------------------------------------


def told_until(line, *kinds):
    """Return the events of a live line up to one of these kinds."""
    seen = []
    while True:
        message = json.loads(line.recv(timeout=120))
        event = message.get("event", message)
        seen.append(event)
        if event["type"] in kinds:
            return seen


def points_of(home, journal):
    """Return the rows of a journal that are whole, by frequency; each frequency stands there once."""
    text = (home / "page" / "sweeps" / journal).read_text()
    rows = [row for row in text[: text.rfind("\n")].splitlines() if row[:1].isdigit()]
    found = {float(row.partition(",")[0]): row for row in rows}
    assert len(found) == len(rows)
    return found


def test_one_page_drives_the_others_watch_and_anyone_may_stop(server):
    address = server[0]
    first, second = Page(address, "first"), Page(address, "second")
    with live(address, "first") as one, live(address, "second") as two:
        assert first.ask("calibrate", bench="virtual", points_per_decade=4)["points"] > 10
        told_until(one, "step")
        refused = second.ask("calibrate", bench="virtual")
        assert (refused["code"], refused["got"]) == ("busy", "another page")
        assert second.ask("sweep", bench="virtual", specimen=RING, name="x", core="bin-h")["code"] == "busy"
        assert first.ask("calibrate", bench="virtual")["got"] == "this page"
        assert second.ask("fitted", number=1)["code"] == "busy"
        told_until(two, "step")
        assert second.ask("stop")["running"] is True
        assert told_until(one, "stopped", "finished", "failed")[-1]["type"] == "stopped"
    with live(address, "third") as late:
        hello = json.loads(late.recv(timeout=30))
        assert (hello["work"]["what"], hello["work"]["running"], hello["work"]["mine"]) == (
            "calibrate",
            False,
            False,
        )
        assert hello["work"]["events"][-1]["type"] == "stopped"


def test_what_the_bench_page_can_do_next_is_said_in_its_own_words(server):
    address = server[0]
    page = Page(address, "first")
    with live(address, "first") as line:
        page.ask("sweep", bench="virtual", specimen=RING, name="x", core="bin-h")
        refused = told_until(line, "failed")[-1]["error"]
        page.ask("calibrate", bench="virtual", points_per_decade=4)
        told_until(line, "step")
        page.ask("stop")
        stopped = told_until(line, "stopped")[-1]["error"]
    assert refused["what"] == "there is no calibration for this set-up"
    assert "--" not in refused["next"]
    assert (stopped["what"], "anew" in stopped["next"]) == ("the calibration was stopped", True)


def test_a_tab_that_was_doubled_watches_and_one_that_was_loaded_again_drives_on(server):
    address = server[0]
    with live(address, "copy", before="first") as copy:
        with live(address, "first") as first:
            Page(address, "first").ask("calibrate", bench="virtual", points_per_decade=4)
            told_until(first, "step")
            told_until(copy, "step")
            assert Page(address, "copy").ask("fitted", number=1)["code"] == "busy"
            with live(address, "late", before="first") as late:
                shown = hello(late)
                assert (shown["mine"], shown["there"]) == (False, True)
        gone = told_until(copy, "driver")[-1]
        assert (gone["mine"], gone["there"]) == (False, False)
        with live(address, "again", before="first") as again:
            assert hello(again)["mine"] is True
            assert told_until(copy, "driver")[-1]["there"] is True
            assert Page(address, "copy").ask("fitted", number=1)["code"] == "busy"
        # the page that drove is closed for good: nobody waits for it
        assert told_until(copy, "driver")[-1]["there"] is False
        Page(address, "copy").ask("fitted", number=1)
        taken = told_until(copy, "driver")[-1]
        assert (taken["mine"], taken["there"]) == (True, True)
        assert Page(address, "third").ask("fitted", number=1)["code"] == "busy"
        Page(address, "copy").ask("stop")
        told_until(copy, "stopped", "finished", "failed")


@pytest.mark.soak
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="children are listed by Linux alone")
def test_a_server_killed_in_a_sweep_loses_no_finished_point_and_goes_on(tmp_path):
    sweep = {"bench": "virtual", "specimen": RING, "name": "ring", "core": "bin-h"}
    with page_server(tmp_path) as (address, process):
        page = Page(address)
        with live(address, "first") as line:
            page.ask("calibrate", bench="virtual", points_per_decade=5)
            assert told_until(line, "finished", "failed")[-1]["type"] == "finished"
            journal = page.ask("sweep", **sweep)["journal"]
            done = [e for _ in range(4) for e in told_until(line, "point") if e["type"] == "point"]
        children = children_of(process.pid)
        process.send_signal(signal.SIGKILL)
        process.wait()
    rows = points_of(tmp_path, journal)
    assert {event["frequency_hz"] for event in done} <= set(rows)
    # the child at the bench sees its input close, switches off and ends
    for _ in range(1200):  # a minute
        if not any(runs(child) for child in children):
            break
        time.sleep(0.05)
    assert not any(runs(child) for child in children)
    with page_server(tmp_path) as (address, process):
        page = Page(address)
        (waiting,) = page.ask("state")["unfinished"]
        assert waiting["journal"] == journal
        with live(address, "first") as line:
            page.ask("sweep", **sweep, journal=journal)
            events = told_until(line, "finished", "failed")
        assert events[-1]["type"] == "finished", events[-1]
        assert page.ask("state")["unfinished"] == []
        whole = points_of(tmp_path, journal)
        assert len(whole) > len(rows)
        assert {f: whole[f] for f in rows} == rows  # not measured again
        kept = page.ask("records.sweep", record=events[-1]["record"])
        assert set(kept["frequency_hz"]) == set(whole)


@pytest.mark.soak
def test_eight_pages_live_through_a_restart_and_one_closed_in_a_sweep_stops_nothing(tmp_path):
    """Every page joins again, sees the same, and no finished point is lost."""
    sweep = {"bench": "virtual", "specimen": RING, "name": "ring", "core": "bin-h"}
    names = [f"page-{n}" for n in range(8)]
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    with page_server(tmp_path, port=port) as (address, process):
        page = Page(address, names[0])
        with contextlib.ExitStack() as stack:
            lines = [stack.enter_context(live(address, name)) for name in names]
            page.ask("calibrate", bench="virtual", points_per_decade=5)
            assert {told_until(line, "finished", "failed")[-1]["type"] for line in lines} == {"finished"}
            journal = page.ask("sweep", **sweep)["journal"]
            lines[0].close()  # the page that drives is closed: the sweep goes on
            seen = [[e for e in told_until(line, "point") if e["type"] == "point"] for line in lines[1:]]
            assert len({tuple(e["frequency_hz"] for e in events) for events in seen}) == 1
            more = told_until(lines[1], "point")
            assert more[-1]["type"] == "point"
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=60) == 130
    rows = points_of(tmp_path, journal)
    assert {seen[0][-1]["frequency_hz"], more[-1]["frequency_hz"]} <= set(rows)
    with page_server(tmp_path, port=port) as (again, process), contextlib.ExitStack() as stack:
        assert again == address
        lines = [stack.enter_context(live(address, name)) for name in names]
        assert all(json.loads(line.recv(timeout=30))["type"] == "hello" for line in lines)
        other = Page(address, names[5])
        assert [one["journal"] for one in other.ask("state")["unfinished"]] == [journal]
        other.ask("sweep", **sweep, journal=journal)
        ends = [told_until(line, "finished", "failed") for line in lines]
        assert {events[-1]["type"] for events in ends} == {"finished"}
        whole = points_of(tmp_path, journal)
        assert {f: whole[f] for f in rows} == rows
        told = [{e["frequency_hz"] for e in events if e["type"] == "point"} for events in ends]
        assert all(one == set(whole) for one in told)


class SlowSocket:
    """A line whose other end reads nothing until it is told to."""

    def __init__(self):
        self.reads, self.closed = asyncio.Event(), asyncio.Event()
        self.sent = []

    async def accept(self):
        pass

    async def send_json(self, message):
        await self.reads.wait()
        self.sent.append(message)

    async def receive_text(self):
        await self.closed.wait()
        raise WebSocketDisconnect

    async def close(self):
        self.closed.set()


def test_a_page_that_is_too_far_behind_is_let_go_and_not_left_without_news():
    async def behind():
        hub, socket = Hub("none"), SlowSocket()
        joined = asyncio.create_task(hub.join(socket, "slow"))
        await asyncio.sleep(0)
        for _ in range(MOST_WAITING + 1):
            hub._told({"type": "point"})
        socket.reads.set()
        for _ in range(20):
            await asyncio.sleep(0)
        closed = socket.closed.is_set()
        socket.closed.set()
        await joined
        return closed

    assert asyncio.run(behind())


class SlowJudge:
    """A judge that answers when it is told to, and counts what it is asked."""

    def __init__(self):
        self.ready, self.asked = asyncio.Event(), 0

    async def ask(self, _call, args):
        self.asked += 1
        number = self.asked
        await self.ready.wait()
        if args.get("wrong"):
            raise Refused({"what": "wrong"})
        return {"result": number}


def test_who_asks_for_a_verdict_again_while_it_is_worked_out_gets_the_same_one():
    async def asked():
        desks = Desks()
        desks.judge = judge = SlowJudge()
        cases = (
            {"core": "a", "sweep": "b"},
            {"sweep": "b", "core": "a"},
            {"core": "c"},
            {"wrong": 1},
            {"wrong": 1},
        )
        waiting = [asyncio.create_task(desks.ask("judge.identify", "page", case)) for case in cases]
        await asyncio.sleep(0)
        waiting[0].cancel()  # its page was loaded again
        await asyncio.sleep(0)
        judge.ready.set()
        answers = await asyncio.gather(*waiting, return_exceptions=True)
        again = await desks.ask("judge.identify", "page", cases[0])
        return answers[1:], again, judge.asked

    (first, other, *wrong), again, count = asyncio.run(asked())
    assert (first, other, again, count) == ({"result": 1}, {"result": 2}, {"result": 4}, 4)
    assert [type(one) for one in wrong] == [Refused, Refused]


# --- the end -----------------------------------------------------------------------------------------------


def children_of(pid):
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def runs(pid):
    """Whether there is such a process, and it is more than an entry nobody has asked for."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_an_end_that_cuts_a_question_off_is_one_line(tmp_path, capfd):
    with page_server(tmp_path) as (address, process):
        host = address.removeprefix("http://").rstrip("/")
        name, port = host.split(":")
        with socket.create_connection((name, int(port))) as line:
            head = (
                f"PUT /upload/a.toml HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nContent-Length: 9"
            )
            line.sendall(f"{head}\r\nExpect: 100-continue\r\n\r\n".encode())
            assert b"100 Continue" in line.recv(1000)  # it is being answered, and waits for what never comes
            process.send_signal(signal.SIGTERM)
            assert process.wait(timeout=60) == 130
    assert capfd.readouterr().err.count("\n") == 1


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="children are listed by Linux alone")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_no_child_outlives_the_server(tmp_path, number):
    with page_server(tmp_path) as (address, process):
        Page(address).ask("core.check", specimen=RING)
        children = children_of(process.pid)
        assert children
        process.send_signal(number)
        assert process.wait(timeout=60) == 130
        for child in children:
            assert not Path(f"/proc/{child}").exists()


def test_a_child_that_died_is_told_and_started_anew(server):
    address, process, _ = server
    page = Page(address)
    page.ask("core.check", specimen=RING)
    for child in children_of(process.pid):
        os.kill(child, signal.SIGKILL)
    time.sleep(0.5)
    for _ in range(2):
        told = page.ask("core.check", specimen=RING)
        if told.get("turns") == 10:
            break
        assert "has ended" in told["what"]
    assert page.ask("core.check", specimen=RING)["turns"] == 10


def test_a_port_that_is_taken_is_one_line(tmp_path, capfd):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(json.JSONDecodeError), page_server(tmp_path, port=str(port)):
            pass
    err = capfd.readouterr().err
    assert "cannot be listened on" in err
    assert str(port) in err


def test_an_address_that_cannot_be_is_one_line():
    # an empty one would be taken as every address of this machine
    for host, told, code in (("", "an address is needed", 2), ("999.1.1.1", "port not stated", 3)):
        done = CliRunner().invoke(root, ["serve", "--no-open", "--host", host])
        assert done.exit_code == code
        assert told in done.stderr
        assert done.stderr.count("\n") == 1


def test_another_machine_s_address_asks_for_a_token(tmp_path):
    with page_server(tmp_path, "--host", "0.0.0.0") as (address, _):  # noqa: S104
        assert "?token=" in address
        port = address.split(":")[2].split("/")[0]
        assert httpx.get(f"http://127.0.0.1:{port}/", trust_env=False).status_code == 401
        token = address.partition("token=")[2]
        with httpx.Client(trust_env=False, follow_redirects=True) as opened:
            assert opened.get(f"http://127.0.0.1:{port}/?token={token}").status_code == 200
            assert opened.get(f"http://127.0.0.1:{port}/").status_code == 200
