"""Every template compiles in the environment that renders it: no unknown filter, no block left open, no missing parent."""

from __future__ import annotations

from pathlib import Path

import pytest
from jinja2 import Environment, TemplateSyntaxError, meta, nodes

from coop.app import create_app
from coop.config import Settings
from coop.core import paths, templating

DOCUMENTS = ("email/", "pdf/")


def written(folder: Path) -> list[str]:
    """Names of the templates in a folder, by which one includes another."""
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.suffix in {".html", ".txt"})


TEMPLATES = written(paths.templates())


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Environment:
    """The app's environment."""
    return create_app(Settings(data=tmp_path_factory.mktemp("data"))).jinja_env


def missing_parts(environment: Environment, name: str) -> list[str]:
    """Templates that this one extends, includes or imports and that do not compile. Raises TemplateSyntaxError for itself."""
    environment.get_template(name)
    source = environment.loader.get_source(environment, name)[0]
    named = [other for other in meta.find_referenced_templates(environment.parse(source)) if other is not None]
    return [other for other in named if other not in environment.list_templates()]


def test_there_are_pages_and_documents():
    assert any(name.startswith("email/") for name in TEMPLATES)
    assert any(name.startswith("pdf/") for name in TEMPLATES)
    assert any(not name.startswith(DOCUMENTS) for name in TEMPLATES)


@pytest.mark.parametrize("name", TEMPLATES)
def test_a_template_compiles(pages, name):
    environment = templating.environment() if name.startswith(DOCUMENTS) else pages
    assert missing_parts(environment, name) == []


@pytest.mark.parametrize("name", [name for name in TEMPLATES if not name.startswith(DOCUMENTS)])
def test_a_form_that_changes_something_carries_the_token(pages, name):
    """Every form that posts names csrf_token, or the app would refuse it."""
    source = pages.loader.get_source(pages, name)[0]
    assert forms_without_token(source) == []


def forms_without_token(source: str) -> list[str]:
    """The posting forms of a page's source that carry no token."""
    forms = source.split("<form")[1:]
    bodies = [form.partition("</form>")[0] for form in forms]
    return [body for body in bodies if 'method="post"' in body.lower() and "csrf_token" not in body and "hidden_tag" not in body]


@pytest.mark.parametrize("planted", ["{{ total|no_such_filter }}", "{% if x %}", "{% block a %}", "{{ x", "{% no_such_tag %}"])
def test_a_template_that_does_not_compile_is_caught(pages, planted):
    with pytest.raises(TemplateSyntaxError):
        pages.from_string(planted)
    with pytest.raises(TemplateSyntaxError):
        templating.environment().from_string(planted)


def test_a_missing_parent_is_caught(pages):
    tree = pages.parse('{% extends "no/such.html" %}')
    assert isinstance(tree, nodes.Template)
    assert list(meta.find_referenced_templates(tree)) == ["no/such.html"]
    assert "no/such.html" not in pages.list_templates()


def test_a_form_without_a_token_is_caught():
    assert len(forms_without_token('<form method="post"><button>Go</button></form>')) == 1
    assert forms_without_token('<form method="post">{{ form.csrf_token }}</form><form method="get"></form>') == []
