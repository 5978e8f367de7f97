"""What README and DEVELOPERS say is so: commands, links, the sentence, the pattern of a plan, the map."""

import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_command_in_the_readme_exists():
    from analysis.cli import main

    named = set(re.findall(r"bin/landings (\w+)", README))
    assert named == set(main.commands)


@pytest.mark.parametrize("link", re.findall(r"\]\(([^)#]+)\)", README))
def test_every_link_of_the_readme_leads_somewhere(link):
    assert (ROOT / link).exists()


def test_the_quoted_sentence_is_the_one_in_the_report():
    quoted = " ".join(line[2:] for line in README.splitlines() if line.startswith("> "))
    results = json.loads((ROOT / "reports/demo/results.json").read_text(encoding="utf-8"))
    assert quoted.split() == results["reading"].split()  # a space that doesn't break is a space too


def test_the_plan_in_the_readme_is_a_valid_plan(tmp_path):
    from analysis import read_plan

    plan = re.search(r"```toml\n(.*?)```", README, re.DOTALL).group(1)
    (tmp_path / "my_plan.toml").write_text(plan, encoding="utf-8")
    (tmp_path / "my_meet.xlsx").touch()
    (tmp_path / "my_codebook.toml").touch()
    assert read_plan(tmp_path / "my_plan.toml").compare == ("piked double back", "tucked double back")


def test_every_file_of_the_package_is_on_the_map():
    files = [path.name for path in (ROOT / "analysis").rglob("*.py") if path.name != "__init__.py"]
    assert [name for name in files if f"`{name}`" not in DEVELOPERS] == []
