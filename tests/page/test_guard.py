"""Who may ask: hosts, pairing, sessions, tokens and sizes, asked without a browser."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from page.conftest import Served

httpx = pytest.importorskip("httpx")


@pytest.fixture
def asked(served: Served) -> Iterator[Any]:
    with httpx.Client(base_url=served.url, trust_env=False, timeout=60) as client:
        client.get("/")
        yield client


def token(client: Any) -> str:
    return str(client.get("/token").json()["token"])


def form(client: Any, **fields: str) -> dict[str, str]:
    return {"token": token(client), "key": "0123456789abcdef", "by": "MK", **fields}


def test_another_name_of_this_machine_is_not_answered(asked: Any, served: Served) -> None:
    for host in ("evil.example", "evil.example:80", "localhost.evil.example", "192.0.2.7"):
        assert asked.get("/", headers={"host": host}).status_code == 421, host
    assert asked.get("/", headers={"host": "localhost:1"}).status_code == 200
    assert asked.get("/", headers={"host": "[::1]:1"}).status_code == 200


def test_a_form_without_its_token_writes_nothing(asked: Any, served: Served) -> None:
    before = len(served.events())
    fields = form(asked, complaint="a clunk")
    for wrong in ({"token": ""}, {"token": "x" * 43}):
        assert asked.post("/v/van-3/complaint", data=fields | wrong).status_code == 403
    assert len(served.events()) == before
    assert asked.post("/v/van-3/complaint", data=fields).status_code == 303
    assert len(served.events()) == before + 1


def test_what_another_page_asks_for_writes_nothing(asked: Any, served: Served) -> None:
    before = len(served.events())
    fields = form(asked, complaint="a clunk")
    for header in ({"origin": "https://evil.example"}, {"origin": "null"},
                   {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}):  # fmt: skip
        answer = asked.post("/v/van-3/complaint", data=fields, headers=header)
        assert answer.status_code == 403, header
    assert len(served.events()) == before


def test_the_same_post_twice_is_one_event(asked: Any, served: Served) -> None:
    fields = form(asked, complaint="a clunk", odometer="98,500")
    assert [asked.post("/v/van-3/complaint", data=fields).status_code for _ in "12"] == [303, 303]
    assert len(served.events("complaint")) == 2  # the other is the hostile one's
    # The same key with other words is no second event in silence.
    other = asked.post("/v/van-3/complaint", data=fields | {"complaint": "a rattle"})
    assert other.status_code == 422
    assert "with other content" in other.text
    assert len(served.events("complaint")) == 2


def test_work_that_is_sent_twice_is_done_once(
    asked: Any, served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    offer = {"job:0": "outer tie rod end L", "take:0": "yes", "price:0": "141"}
    posts = [("estimate", form(asked, **offer))]
    answer = form(asked, key="fedcba9876543210", **{"a:1": "approved"})
    posts.append(("answer", answer))
    for path, fields in posts:
        if path == "answer":
            fields["estimate"] = served.events("estimate")[-1].event_id
        assert asked.post(f"/v/van-3/{path}", data=fields).status_code == 303, path
    page = asked.get("/v/van-3/work").text
    ticked = re.search(r'name="take:([^"]+)"', page)
    assert ticked is not None
    work = form(asked, key="aaaabbbbccccdddd", **{f"take:{ticked[1]}": "yes"})
    assert [asked.post("/v/van-3/work", data=work).status_code for _ in "12"] == [303, 303]
    (done,) = served.events("replacement")
    assert (done.data()["reason"], done.data()["estimate_line"]) == ("failed", 1)


def test_an_entry_is_taken_back_from_the_history(asked: Any, served: Served) -> None:
    fields = form(asked, complaint="a clunk")
    assert asked.post("/v/van-3/complaint", data=fields).status_code == 303
    event = served.events("complaint")[-1]
    assert f"/back/{event.event_id}" in asked.get("/v/van-3/history").text
    back = f"/v/van-3/back/{event.event_id}"
    assert asked.post(back, data={"token": "x"}).status_code == 403
    assert asked.post(back.replace("van-3", "car-1"), data=form(asked)).status_code == 404
    assert [asked.post(back, data=form(asked)).status_code for _ in "12"] == [303, 303]
    (taken,) = served.events("retraction")
    assert (taken.data()["event"], taken.recorded_by) == (event.event_id, "MK")
    page = asked.get("/v/van-3/history").text
    assert "taken back:" in page
    assert f"/back/{event.event_id}" not in page
    # A vehicle is not unmade by a key, nor is what was written long ago.
    for kind in ("enrolment", "inspection"):
        old = served.events(kind)[0].event_id
        assert f"/back/{old}" not in page
        assert asked.post(f"/v/van-3/back/{old}", data=form(asked)).status_code == 422


def test_a_number_in_what_is_told_of_a_new_vehicle_is_asked_about(
    asked: Any, served: Served
) -> None:
    before = len(served.events())
    fields = form(asked, vehicle="van-9", odometer="61,000 mi", complaint="grinds, call 555 0199")
    answer = asked.post("/take-in", data=fields)
    assert answer.status_code == 409
    assert "complaint: that looks like somebody&#39;s name, telephone number" in answer.text
    assert len(served.events()) == before
    fields["complaint"] = "grinds"
    assert asked.post("/take-in", data=fields).status_code == 303


def test_what_is_doubtful_is_asked_before_it_is_written(asked: Any, served: Served) -> None:
    before = len(served.events())
    fields = form(asked, complaint="a clunk", odometer="8,500")
    answer = asked.post("/v/van-3/complaint", data=fields)
    assert answer.status_code == 409
    assert "Before it is written" in answer.text
    assert "8,500" in answer.text
    assert len(served.events()) == before
    sure = re.search(r'name="sure" value="([0-9a-f]+)"', answer.text)
    assert sure is not None
    assert asked.post("/v/van-3/complaint", data=fields | {"sure": sure[1]}).status_code == 303
    assert len(served.events()) == before + 1


def test_initials_are_asked_for(asked: Any, served: Served) -> None:
    answer = asked.post("/v/van-3/complaint", data=form(asked, complaint="a clunk", by=" "))
    assert answer.status_code == 422
    assert "initials" in answer.text
    assert "a clunk" in answer.text  # what was typed stands there still


def test_too_much_is_refused_in_a_sentence(asked: Any, served: Served) -> None:
    before = len(served.events())
    kind = {"content-type": "application/x-www-form-urlencoded"}
    for path, size in (("/v/van-3/complaint", 1_200_000), ("/v/van-3/photograph", 27_000_000)):
        answer = asked.post(path, content=b"a" * size, headers=kind)
        assert answer.status_code in {400, 413}
        assert "nothing was written" in answer.text
    many = {f"c:{n}": "x" for n in range(3_000)}
    assert asked.post("/v/van-3/complaint", data=form(asked) | many).status_code == 400
    assert len(served.events()) == before


def test_every_answer_forbids_what_a_page_does_not_need(asked: Any) -> None:
    for path in ("/", "/v/car-1", "/nowhere", "/static/page.js", "/v/nobody", "/favicon.ico"):
        answer = asked.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
    cookie = httpx.get(f"{asked.base_url}", trust_env=False, timeout=60).headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


def test_nothing_outside_is_loaded_and_no_script_stands_in_a_page(asked: Any) -> None:
    for path in ("/", "/v/car-1", "/v/van-3/look-over", "/take-in", "/day", "/v/van-3/history"):
        text = asked.get(path).text
        assert not re.search(r"""(src|href)=["']?(https?:)?//""", text)
        assert re.findall(r"<script[^>]*>", text) == re.findall(
            r'<script src="/static/page\.js\?[0-9a-f]{10}" defer>', text
        )
        assert " style=" not in text
        assert not re.search(r"\son[a-z]+=", re.sub(r"&[^;]+;", "", text.replace("onerror", "")))


def test_hostile_text_is_shown_and_not_run(asked: Any) -> None:
    text = asked.get("/v/car-1/history").text
    assert "<script>document" not in text
    assert "&lt;script&gt;document" in text


def test_what_is_not_there_is_said(asked: Any) -> None:
    assert asked.get("/v/van-33").status_code == 404
    assert "van-3" in asked.get("/v/van-33").text
    assert asked.get("/static/..%2fapp.py").status_code == 404
    assert asked.get("/photograph/../../etc/passwd").status_code == 404
    assert asked.get(f"/photograph/{'a' * 64}").status_code == 404
    assert asked.delete("/v/van-3").status_code == 405


def test_an_unpaired_device_sees_nothing(paired: Served) -> None:
    with httpx.Client(base_url=paired.url, trust_env=False, timeout=60) as client:
        answer = client.get("/v/van-3", headers={"accept": "text/html"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/pair")
        for path in ("/v/van-3", "/token", "/day", "/photograph/" + "a" * 64):
            assert client.get(path).status_code == 401
        fields = {"key": "0123456789abcdef", "by": "MK", "complaint": "a clunk", "token": "x"}
        assert client.post("/v/van-3/complaint", data=fields).status_code == 401


def pair_with(client: Any, code: str) -> Any:
    found = re.search(r'name="token" value="([^"]+)"', client.get("/pair").text)
    assert found is not None
    return client.post("/pair", data={"token": found[1], "code": code})


def test_the_code_lets_one_device_in(paired: Served) -> None:
    code = paired.sessions.pairing.code
    with httpx.Client(base_url=paired.url, trust_env=False, timeout=60) as first:
        assert pair_with(first, f"{code[:4]} {code[4:]}").status_code == 303
        assert first.get("/v/van-3").status_code == 200
        key = first.cookies["roadworn"]
    with httpx.Client(base_url=paired.url, trust_env=False, timeout=60) as second:
        assert pair_with(second, code).status_code == 403
        assert second.get("/v/van-3").status_code == 401
        assert second.cookies["roadworn"] != key


def test_guessing_is_stopped(paired: Served) -> None:
    pairing = paired.sessions.pairing
    wrong = "0" * 8 if pairing.code != "0" * 8 else "1" * 8
    with httpx.Client(base_url=paired.url, trust_env=False, timeout=60) as client:
        told = [pair_with(client, wrong).text for _ in range(6)]
        assert "wait a minute" in told[-1]
        # The right one has to wait as well.
        assert pair_with(client, pairing.code).status_code == 403
    at = [1e9]
    pairing.clock = lambda: at[0]
    before = pairing.code
    for _ in range(20):
        at[0] += 61
        pairing.refused(wrong)
    assert pairing.code != before


def test_a_device_that_leaves_is_out(paired: Served) -> None:
    with httpx.Client(base_url=paired.url, trust_env=False, timeout=60) as client:
        pair_with(client, paired.sessions.pairing.code)
        answer = client.post("/leave", data={"token": token(client)})
        assert '"storage"' in answer.headers["clear-site-data"]
        assert client.get("/v/van-3").status_code == 401
