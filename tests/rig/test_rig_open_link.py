"""Which rig a programme opens, and that a program is run only where its folder is trusted."""

import dataclasses
import sys

import pytest

from washboard.errors import InputError
from washboard.programme import About, ChannelPlan, Plan, made_here, open_link, rig_channels, trust_folder
from washboard.rig import Actuator, CommandLink, FolderLink, Rig, RigLinkSettings


@pytest.fixture(autouse=True)
def config(tmp_path, monkeypatch):
    monkeypatch.setenv("WASHBOARD_CONFIG", str(tmp_path / "config"))
    return tmp_path / "config"


def plan(**link) -> Plan:
    channel = ChannelPlan(name="a", quantity="acceleration", unit="g", on="front", position_m=(0.0, 1.0, 0.5))
    rig = Rig(post=(Actuator(name="p1", position_m=(0.0, 1.0)),), link=RigLinkSettings(**link))
    return dataclasses.replace(_bare(), channel=(channel,), rig=rig)


def _bare() -> Plan:
    """A plan with nothing in it that a link reads."""
    return Plan(programme=About(name="x"), channel=(), event=(), duty=None, rig=Rig())  # type: ignore[arg-type]


COMMAND = f'"{sys.executable}" rig.py {{drive}} {{response}}'


def test_a_command_from_elsewhere_needs_trust_once(tmp_path):
    folder = tmp_path / "job"
    folder.mkdir()
    with pytest.raises(InputError, match="with --trust") as caught:
        open_link(plan(kind="command", command=COMMAND), folder)
    assert COMMAND in str(caught.value)
    trust_folder(folder, plan(kind="command", command=COMMAND))
    assert isinstance(open_link(plan(kind="command", command=COMMAND), folder), CommandLink)


def test_trust_holds_for_that_command_and_that_folder_only(tmp_path, config):
    folder, other = tmp_path / "job", tmp_path / "other"
    folder.mkdir()
    other.mkdir()
    trust_folder(folder, plan(kind="command", command=COMMAND))
    for where, command in ((folder, COMMAND + " --more"), (other, COMMAND)):
        with pytest.raises(InputError, match="not been trusted on this machine"):
            open_link(plan(kind="command", command=command), where)
    assert not list(folder.iterdir())
    assert (config / "trusted.json").exists()


def test_a_folder_made_here_is_trusted(tmp_path):
    made_here(tmp_path)
    assert isinstance(open_link(plan(kind="command", command=COMMAND), tmp_path), CommandLink)


def test_a_damaged_memory_of_trust_trusts_nothing(tmp_path, config):
    trust_folder(tmp_path, plan(kind="command", command=COMMAND))
    (config / "trusted.json").write_text("[1, 2")
    with pytest.raises(InputError, match="with --trust"):
        open_link(plan(kind="command", command=COMMAND), tmp_path)


@pytest.mark.parametrize(
    ("link", "words"),
    [
        ({"kind": "command"}, "needs rig.link.command"),
        ({"kind": "folder"}, "needs rig.link.folder"),
        ({"kind": "virtual"}, r"needs \[specimen\]"),
    ],
)
def test_a_missing_key_is_told_with_the_file(tmp_path, link, words):
    with pytest.raises(InputError, match=words) as caught:
        open_link(plan(**link), tmp_path)
    assert "programme.toml" in str(caught.value)


def test_a_rig_without_posts_is_told(tmp_path):
    with pytest.raises(InputError, match="has no posts"):
        open_link(dataclasses.replace(plan(), rig=Rig()), tmp_path)


def test_a_folder_link_and_its_channels_in_si(tmp_path):
    found = open_link(plan(kind="folder", folder="shared"), tmp_path)
    assert isinstance(found, FolderLink)
    channels = rig_channels(plan(kind="folder", folder="shared"))
    assert [(c.name, c.unit) for c in channels.responses] == [("a", "m/s2")]
    assert channels.drives[0].limits == (-0.115, 0.115)
