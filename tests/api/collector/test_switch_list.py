"""The file of the collector: who may read it, and what is said of what is wrong in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from api.collector.snmp import Login
from api.collector.switch_list import EXAMPLE, Listed, ListError, read_list

SECRET = "hush-hush-hush"
WHOLE = f"""
service = "https://zonebook.example/"
token = "{SECRET}"
[[switch]]
id = 41
address = "10.4.0.2"
user = "reader"
auth_password = "{SECRET}-a"
priv_password = "{SECRET}-p"
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "power.toml"
    path.write_text(WHOLE, encoding="utf-8")
    path.chmod(0o600)
    return path


def refused(path: Path) -> list[str]:
    with pytest.raises(ListError) as caught:
        read_list(path)
    assert SECRET not in str(caught.value)
    return str(caught.value).splitlines()


def test_a_file_says_where_to_send_and_what_to_read(file: Path) -> None:
    found = read_list(file)
    assert (found.service, found.token) == ("https://zonebook.example", SECRET)
    login = Login("10.4.0.2", 161, "reader", f"{SECRET}-a", f"{SECRET}-p")
    assert found.switches == (Listed(41, login, ()),)
    assert SECRET not in repr(found)
    file.write_text(f"{WHOLE}port = 1161\ngroups = [2, 1]\n", encoding="utf-8")
    (switch,) = read_list(file).switches
    assert (switch.login.port, switch.groups) == (1161, (2, 1))


def test_the_example_is_a_whole_file(file: Path) -> None:
    file.write_text(EXAMPLE.replace("…", "long-enough"), encoding="utf-8")
    assert read_list(file).switches[0].groups == (1, 2)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o666])
def test_a_file_that_others_can_read_is_refused(file: Path, mode: int) -> None:
    file.chmod(mode)
    (said,) = refused(file)
    assert said.startswith(f"{file} holds passwords, and others than you can read it: `chown` it")
    assert said.endswith(f"`chmod 600 {file}`")


def test_what_is_no_toml_is_said_with_its_line(file: Path) -> None:
    file.write_text(f'{WHOLE}\nuser "x"', encoding="utf-8")
    assert "is not TOML:" in refused(file)[0]
    assert "line 11" in refused(file)[0]
    file.write_bytes(b"\xff")
    assert refused(file) == [f"{file} is not UTF-8: byte 0 cannot be read"]


@pytest.mark.parametrize(
    ("old", "new", "stated"),
    [
        (
            "https://zonebook.example/",
            "http://zonebook.example/",
            "service: expected an address such as https",
        ),
        ("https://zonebook.example/", "zonebook.example", "service: expected an address"),
        ("https://zonebook.example/", "https://a:b@zonebook.example", "service: expected an address"),
        ("https://zonebook.example/", "https://zonebook.example:x", "service: expected an address"),
        (f'token = "{SECRET}"', 'token = ""', "token: expected the token that `manage.py token` printed"),
        (f'token = "{SECRET}"', "", "token is missing: expected the token"),
        ("id = 41", 'id = "41"', "switch 1: id: expected the id of the switch in Zonebook, such as 41"),
        ("id = 41", "id = [41]", "switch 1: id: expected the id"),
        ("id = 41", "id = true", "switch 1: id: expected the id"),
        ('address = "10.4.0.2"', "", "switch 1: address is missing: expected an address or a name"),
        (f"{SECRET}-a", "hush-hu", "switch 1: auth_password: expected 8 characters or more"),
        ("id = 41", "id = 41\nport = 0", "switch 1: port: expected a UDP port from 1 to 65535"),
        ("id = 41", "id = 41\ngroups = [0]", "switch 1: groups: expected a list of supply groups"),
        ("user =", "usr =", "switch 1: there is no 'usr' here."),
        ("[[switch]]", "[other]", "switch is missing: expected one [[switch]] or more"),
        ("[[switch]]", "[switch]", "switch: expected one [[switch]] or more"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(file: Path, old: str, new: str, stated: str) -> None:
    assert old in WHOLE
    file.write_text(WHOLE.replace(old, new), encoding="utf-8")
    assert [line for line in refused(file) if line.startswith(f"{file}: {stated}")]


def test_a_switch_stands_once(file: Path) -> None:
    again = WHOLE[WHOLE.index("[[switch]]") :]
    file.write_text(WHOLE + again, encoding="utf-8")
    assert refused(file) == [f"{file}: switch 2: id 41 is that of switch 1 too"]


def test_a_service_on_this_machine_may_do_without_tls(file: Path) -> None:
    file.write_text(WHOLE.replace("https://zonebook.example/", "http://127.0.0.1:8000"), encoding="utf-8")
    assert read_list(file).service == "http://127.0.0.1:8000"
