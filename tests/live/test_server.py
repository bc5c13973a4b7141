"""A server as it is started and ended, by hand and by force; what its page shows of files that change beneath it."""

import base64
import hashlib
import os
import re
import select
import signal
import socket
import subprocess
import sys
import tomllib
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from phaseopt.cli import app

from .served import PROGRAM, WITHIN, served, small_project

BROKEN = 'name = "A four"\n[crank]\nbore = 79,0\n'


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_project(tmp_path_factory.mktemp("served"))


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("state")


def ended(*options: object, state: Path) -> subprocess.CompletedProcess[str]:
    """A server that does not come up."""
    return subprocess.run(
        [*PROGRAM, *map(str, options), "--no-browser"],
        capture_output=True, text=True, check=False, timeout=WITHIN, env=os.environ | {"XDG_STATE_HOME": str(state)},
    )  # fmt: skip


def test_the_server_imports_nothing_heavy() -> None:
    """The page is there before the numerics are: those are the child's."""
    heavy = "{'numpy', 'pydantic', 'pandas', 'xarray', 'scipy', 'numba', 'matplotlib', 'pint', 'optuna'}"
    code = f"import sys, phaseopt.live.launch; sys.exit(' '.join({heavy} & set(sys.modules)) or None)"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=WITHIN)


def test_one_server_a_project_until_it_is_killed(project: Path, state: Path) -> None:
    """The lock goes with its process; the page that was open is let in again, and its files are whole."""
    with served(project, state) as first:
        done = ended(project, "--port", 0, state=state)
        assert done.returncode == 2
        assert f"process {first.process.pid}" in done.stderr
        assert first.home in done.stderr
        assert len(done.stderr.splitlines()) == 1
        port, cookies = int(first.home.rpartition(":")[2]), first.client.cookies
        first.process.kill()
        first.process.wait(WITHIN)
    with served(project, state, port, cookies) as again:
        assert again.client.get("/").status_code == 200
        assert again.client.get("/parts").status_code == 200


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_when_asked_to_and_leaves_no_child(project: Path, state: Path, how: signal.Signals) -> None:
    """Also with a page open that follows the stream."""
    with served(project, state) as server:
        children = [os.pidfd_open(each) for each in server.children]
        events = server.events()
        next(events)
        server.process.send_signal(how)
        assert server.process.wait(WITHIN) == 0
        assert server.process.stdout is not None
        said = server.process.stdout.read()
        assert "Traceback" not in said
        assert said.splitlines()[-1] == "Ended."
        events.close()
    assert children
    for each in children:
        waiting = select.poll()
        waiting.register(each, select.POLLIN)  # once its process ended (pidfd_open(2) of Linux)
        assert waiting.poll(1000 * WITHIN)
        os.close(each)


def test_wrong_options_are_one_message_each(project: Path, state: Path, tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        for options, problem, fix in (
            ((project, "--port", port), f"port {port}", f"--port {port + 1}"),
            ((project, "--port", 0, "--phone", "0.0.0.0"), "every network", "give one of"),
            ((project, "--port", 0, "--phone", "203.0.113.9"), "not an address of this computer", "give one of"),
            ((tmp_path / "none.toml", "--port", 0), "there is no such file", "check the name"),
            ((project, "--port", 70_000), "--port", "help"),
        ):
            done = ended(*options, state=state)
            assert done.returncode == 2
            assert problem in done.stderr
            assert fix in done.stderr.replace("join the workshop network first", "give one of")
            assert len(done.stderr.splitlines()) == 1


def test_the_page_is_small_and_runs_nothing_but_its_own(project: Path, state: Path) -> None:
    """At most 500 kB; each style and script by its hash (Content Security Policy 3, W3C), none in an attribute."""
    with served(project, state) as server:
        answer = server.client.get("/")
    policy, page = answer.headers["content-security-policy"], answer.text
    assert len(answer.content) < 500_000
    for kind in ("style", "script"):
        (body,) = re.findall(f"<{kind}>(.*?)</{kind}>", page, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    markup = re.sub("<(style|script)>.*?</", "</", page, flags=re.DOTALL)
    assert not re.search(r"\s(style|on\w+)=|https?://|javascript:", markup)
    assert "Check every cylinder by hand" in markup
    assert "overhear" not in markup  # this page is on no network


def test_a_child_that_is_killed_is_begun_again(project: Path, state: Path) -> None:
    """What it had shown is out of date meanwhile, and true again when another has looked."""
    with served(project, state) as server:
        before = server.until(lambda parts: "bench" in parts and not parts["bench"]["stale"])
        os.kill(max(server.children, key=memory), signal.SIGKILL)
        server.until(lambda parts: parts["bench"]["stale"])
        after = server.until(lambda parts: not parts["bench"]["stale"])
        assert after["bench"]["facts"] == before["bench"]["facts"]


def memory(number: int) -> int:
    """Pages that a process has in memory."""
    return int(Path(f"/proc/{number}/statm").read_text().split()[1])


def test_two_pages_see_each_others_changes_and_those_of_an_editor(project: Path, state: Path) -> None:
    with served(project, state) as server:
        server.until(lambda parts: parts.get("bench", {"stale": True})["stale"] is False)
        pages = [server.events(), server.events()]
        for page in pages:
            assert "bench" in {each["name"] for each in next(page)}  # all of it on connecting
        assert server.post("/do/edit", key="name", value="Changed by a page").status_code == 200
        for page in pages:
            assert named(page, "Changed by a page")
        assert tomllib.loads(project.read_text(encoding="utf-8"))["name"] == "Changed by a page"
        text = project.read_text(encoding="utf-8")
        project.write_text(text.replace("Changed by a page", "Changed by an editor <b>"), encoding="utf-8")
        for page in pages:
            assert named(page, "Changed by an editor &lt;b&gt;")
            page.close()


def named(page: object, name: str) -> bool:
    """Whether a stream brings the project's name, at some time, as HTML."""
    return any(each["name"] == "name" and each["html"] == name for sent in page for each in sent)  # type: ignore[attr-defined]


def test_a_project_that_does_not_load_is_fixed_on_the_page(tmp_path: Path, state: Path) -> None:
    """Its mistake with the line; saved on what was read and not on what an editor wrote meanwhile."""
    file = tmp_path / "project.toml"
    file.write_text(BROKEN, encoding="utf-8")
    with served(file, state) as server:
        parts = server.until(lambda parts: parts.get("mistakes", {}).get("html"))
        assert "line 3" in parts["mistakes"]["html"]
        assert "decimal point" in parts["mistakes"]["html"]
        read = server.client.get("/text").json()
        assert read["text"] == BROKEN
        fixed = BROKEN.replace("79,0", "79.0")
        assert server.post("/do/write", text="[crank\n", digest=read["digest"]).status_code == 400
        file.write_text(BROKEN + "# by an editor\n", encoding="utf-8")
        refused = server.post("/do/write", text=fixed, digest=read["digest"])
        assert refused.status_code == 400
        assert "changed on the disk" in refused.json()["messages"][0]
        assert file.read_text(encoding="utf-8") == BROKEN + "# by an editor\n"
        read = server.client.get("/text").json()
        assert server.post("/do/write", text=fixed, digest=read["digest"]).status_code == 200
        assert file.read_text(encoding="utf-8") == fixed
        server.until(lambda parts: "line 3" not in parts["mistakes"]["html"] and "stroke" in parts["mistakes"]["html"])


def test_without_a_project_one_is_begun_or_opened(tmp_path: Path, state: Path) -> None:
    """In the folder where it was started and nowhere else; the blank project is that of `phaseopt new --yes`."""
    small_project(tmp_path)
    (tmp_path / "other.toml").write_text("[tool]\n", encoding="utf-8")
    (tmp_path / ".hidden").mkdir()
    (tmp_path / ".hidden" / "project.toml").write_text("", encoding="utf-8")
    outside = tmp_path.parent / f"{tmp_path.name}-outside"
    outside.mkdir()
    (tmp_path / "link").symlink_to(outside)
    with served(tmp_path, state) as server:
        page = server.client.get("/").text
        assert re.findall('data-file="([^"]+)"', page) == ["intake_only/project.toml"]
        assert server.client.get("/text").status_code == 400
        for name in ("", "../x", "/tmp/x", "a/../../x", "link/x", ".x", "a\\b", "intake_only", "x\0", "c:x", 5, None):
            answer = server.post("/do/new", folder=name)
            assert answer.status_code == 400
            assert answer.json()["messages"]
        for file in ("../project.toml", "other.toml", ".hidden/project.toml", str(tmp_path), None, ["x"]):
            assert server.post("/do/open", file=file).status_code == 400
        assert list(outside.iterdir()) == []
        assert server.post("/do/new", folder="my engine").json() == {"reload": True}
        assert server.post("/do/open", file="intake_only/project.toml").status_code == 404  # one project a server
        server.until(lambda parts: parts.get("mistakes", {}).get("html"))
        assert "data-file" not in server.client.get("/").text
        cookies = server.client.cookies
    subprocess.run([*PROGRAM[:3], "new", "--yes", str(tmp_path / "by hand")], check=True, capture_output=True)
    made = {each.name: each.read_bytes() for each in (tmp_path / "my engine").iterdir() if each.is_file()}
    assert made == {each.name: each.read_bytes() for each in (tmp_path / "by hand").iterdir() if each.is_file()}
    with served(tmp_path / "my engine" / "project.toml", state, cookies=cookies) as again:
        again.client.cookies = httpx.Cookies(
            dict.fromkeys([f"phaseopt-{again.home.rpartition(':')[2]}"], *cookies.values())
        )
        assert again.client.get("/").status_code == 200  # the browser that opened it


def test_a_stream_brings_all_of_the_page_again(project: Path, state: Path) -> None:
    """A page that lost the server is whole after one message."""
    with served(project, state) as server:
        shown = server.until(lambda parts: parts.get("bench", {"stale": True})["stale"] is False)
        assert {each["name"] for each in next(server.events())} >= set(shown)
        assert {each["name"] for each in server.client.get("/parts").json()} >= set(shown)


def test_a_full_disk_is_a_message_and_leaves_the_file(project: Path, state: Path, tmp_path: Path) -> None:
    """A folder that takes nothing, by a limit of the system on the size of files (POSIX setrlimit)."""
    before = project.read_bytes()
    with served(project, state) as server:
        import resource

        resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE, (100, 100))
        refused = server.post("/do/write", text=before.decode() + "# more\n", digest=hashlib.sha256(before).hexdigest())
        assert refused.status_code == 400
        assert "cannot be written" in refused.json()["messages"][0]
        assert server.client.get("/parts").status_code == 200
    assert project.read_bytes() == before
    assert [each.name for each in project.parent.iterdir() if each.name.endswith(".part")] == []


# A server of a read-only file system, as POSIX has it: access() says no, and each write ends in EROFS. For root too.
READ_ONLY = (
    sys.executable, "-c",
    "import errno, os, sys\n"
    "def refuse(*_, **__):\n"
    "    raise OSError(errno.EROFS, os.strerror(errno.EROFS))\n"
    "from phaseopt.__main__ import main\n"
    "os.mkdir = os.replace = os.rename = refuse\n"
    "os.access = lambda _path, mode, **_: not mode & os.W_OK\n"
    "sys.argv = ['phaseopt', 'live', *sys.argv[1:]]\n"
    "main()\n",
)  # fmt: skip
CHANGES: dict[str, dict[str, object]] = {
    "/do/edit": {"key": "name", "value": "x"},
    "/do/note": {"names": "[]", "note": "x"},
    "/do/leave_out": {"names": "[]"},
    "/do/undo": {},
    "/do/pin": {"rpm": 5000, "load": 100, "intake": 5.0},
    "/do/write": {"text": "", "digest": ""},
    "/ask/write_tables": {},
}


def test_in_a_read_only_folder_the_page_shows_and_every_change_is_one_message(tmp_path: Path, state: Path) -> None:
    project = small_project(tmp_path)
    before = {path: path.read_bytes() for path in project.parent.rglob("*") if path.is_file()}
    with served(project, state, command=READ_ONLY) as server:
        parts = server.until(lambda parts: "box" in parts and "notice" in parts)
        assert "changes nothing" in parts["notice"]["html"]
        assert "CLEAR" in parts["box"]["html"]
        for path, body in CHANGES.items():
            answer = server.post(path, **body)
            assert answer.status_code == 400
            (message,) = answer.json()["messages"]
            assert "nothing was changed. Fix: copy the project to a folder of your own" in message
        assert server.post("/do/look").status_code == 200
    after = {path: path.read_bytes() for path in project.parent.rglob("*") if path in before}
    assert after == before
    assert not (project.parent / "history").exists()


def test_a_telephone_may_be_asked_for_without_an_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """`--phone` alone takes the only address; what follows it is an address or something of its own."""
    asked: list[tuple[str, str | None]] = []
    monkeypatch.setattr("phaseopt.live.launch.serve", lambda place, _, phone, *rest: asked.append((str(place), phone)))
    for options in ("p.toml", "--phone p.toml", "p.toml --phone", "--phone --port 0", "--phone 192.0.2.7 p.toml"):
        assert CliRunner().invoke(app, ["live", *options.split()]).exit_code == 0
    assert asked == [("p.toml", None), ("p.toml", ""), ("p.toml", ""), (".", ""), ("p.toml", "192.0.2.7")]
