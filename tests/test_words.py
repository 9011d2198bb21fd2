"""Words: public functions say what they take and give, and a term of the glossary stands for one thing."""

from __future__ import annotations

import ast
import doctest
import inspect
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path

import pytest

import swapbridge

TOP = Path(__file__).parent.parent
PACKAGE = TOP / "swapbridge"
FACE = sorted(set(swapbridge.__all__) - {"__version__"})
SOURCES = {path: path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")}


@cache
def parsed(text: str) -> ast.Module:
    """A module's syntax tree; every test here reads all of them."""
    return ast.parse(text)


@cache
def nodes(text: str) -> tuple[ast.AST, ...]:
    """All nodes of a module's syntax tree, in the order of `ast.walk`."""
    return tuple(ast.walk(parsed(text)))


def lacking(doc: str, parameters: list[str], gives: bool) -> list[str]:
    """Sections and parameters that a numpydoc text does not have."""
    sections = dict(re.findall(r"^(\w+)\n-+\n(.*?)(?=^\w+\n-+\n|\Z)", doc, re.MULTILINE | re.DOTALL))
    heads = re.findall(r"^(\w[\w, *]*)(?: : .*)?$", sections.get("Parameters", ""), re.MULTILINE)
    named = {name.strip(" *") for head in heads for name in head.split(",")}
    missing = [name for name in parameters if name not in named]
    if gives and "Returns" not in sections:
        missing.append("Returns")
    if "Raises" in sections and not sections["Raises"].strip():
        missing.append("Raises")
    return missing


@pytest.mark.parametrize("name", FACE)
def test_what_the_face_offers_is_documented(name: str) -> None:
    """Parameters, by the names of the signature, and Returns; and an example here or in the face's own docstring."""
    offered = getattr(swapbridge, name)
    signature = inspect.signature(offered)
    doc = inspect.getdoc(offered)
    assert doc
    gives = not inspect.isclass(offered) and signature.return_annotation not in (None, "None")
    assert not lacking(doc, list(signature.parameters), gives)
    assert f"swapbridge.{name}(" in str(swapbridge.__doc__) or f">>> {name}(" in doc
    for example in doctest.DocTestParser().get_examples(doc):
        compile(example.source, name, "single")


def test_what_a_rooms_readme_names_is_documented() -> None:
    """A function in backticks there is public, as the face is."""
    found, judged = [], 0
    for readme in sorted(PACKAGE.rglob("README.md")):
        ticked = re.findall(r"`(?:[\w./]+\.)?([A-Za-z]\w*)(?:\([^`]*)?`", readme.read_text(encoding="utf-8"))
        pattern = re.compile(rf"^def (?:{'|'.join(sorted(set(ticked)))})\(", re.MULTILINE)
        for path, text in SOURCES.items():
            if readme.parent not in path.parents or not pattern.search(text):
                continue
            for one in parsed(text).body:
                if not isinstance(one, ast.FunctionDef) or one.name not in ticked:
                    continue
                judged += 1
                arguments = one.args
                names = [a.arg for a in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs)]
                gives = one.returns is not None and ast.unparse(one.returns) != "None"
                missing = lacking(ast.get_docstring(one) or "", names, gives)
                if missing:
                    found.append(f"{path.relative_to(PACKAGE)}: {one.name} lacks {', '.join(missing)}")
    assert judged > 40
    assert not found, "\n".join(found)


ERRORS = {"SwapbridgeError", "InputError", "RefusedError", "BusError", "MissingToolError"}


def raised(function: ast.FunctionDef, body: Sequence[ast.stmt], elsewhere: Mapping[str, set[str]]) -> set[str]:
    """Swapbridge's errors that a function raises: itself, through private functions and methods of `body`, and
    through functions of other modules, by their Raises sections in `elsewhere`."""
    beside = {one.name: one for one in body if isinstance(one, ast.FunctionDef)}
    found, seen, waiting = set(), {function.name}, [function]
    while waiting:
        makers, calls = raises_and_calls(waiting.pop())
        for maker in makers:
            made = beside.get(dotted(maker))
            found |= names_in(maker if made is None else made.returns) & ERRORS
        for called in calls:
            name = called.removeprefix("self.")
            if name.startswith("_") and name in beside and name not in seen:
                seen.add(name)
                waiting.append(beside[name])
            found |= elsewhere.get(name, set())
    return found


@cache
def raises_and_calls(function: ast.FunctionDef) -> tuple[list[ast.expr], set[str]]:
    """What a function raises, as the expressions that make it, and what it calls; without what it catches itself."""
    inside = list(ast.walk(function))
    caught = {
        id(inner)
        for block in inside
        if isinstance(block, ast.Try) and any(ERRORS & names_in(h.type) for h in block.handlers)
        for part in block.body
        for inner in ast.walk(part)
    }
    makers, calls = [], set()
    for node in inside:
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) and id(node) not in caught:
            makers.append(node.exc.func)
        elif isinstance(node, ast.Call) and id(node) not in caught:
            calls.add(dotted(node.func))
    return makers, calls


def dotted(node: ast.expr) -> str:
    """A name with its dots; empty for any other expression."""
    if isinstance(node, ast.Attribute):
        return f"{before}.{node.attr}" if (before := dotted(node.value)) else ""
    return node.id if isinstance(node, ast.Name) else ""


def imported_raises(module: ast.Module) -> dict[str, set[str]]:
    """Errors in the Raises sections of the functions that a module imports from others, by their names here."""
    found = {}
    for one in ast.walk(module):
        if isinstance(one, ast.ImportFrom) and (one.module or "").startswith("swapbridge."):
            path = PACKAGE.joinpath(*str(one.module).split(".")[1:]).with_suffix(".py")
            there = {f.name: f for f in parsed(SOURCES.get(path, "")).body if isinstance(f, ast.FunctionDef)}
            for name in one.names:
                if name.name in there:
                    found[name.asname or name.name] = says_raises(ast.get_docstring(there[name.name]) or "")
    return found


def names_in(node: ast.expr | None) -> set[str]:
    """Names in an expression."""
    return {part.id for part in ast.walk(node) if isinstance(part, ast.Name)} if node is not None else set()


def says_raises(doc: str) -> set[str]:
    """Errors in the Raises section of a numpydoc text."""
    sections = re.findall(r"^Raises\n-+\n(.*?)(?=^\w+\n-+\n|\Z)", doc, re.MULTILINE | re.DOTALL)
    return ERRORS & set(re.findall(r"\w+", " ".join(sections)))


def test_what_a_documented_function_raises_is_documented() -> None:
    """Each error that a function with numpydoc sections, or a method of the face's classes, raises itself; and what
    functions of the face call, by its own Raises section."""
    judged, found = 0, []
    faces = {Path(str(inspect.getsourcefile(inspect.unwrap(getattr(swapbridge, name))))) for name in FACE}
    for path, text in SOURCES.items():
        module = parsed(text)
        elsewhere = imported_raises(module) if path in faces else {}
        of_face = [one for one in module.body if isinstance(one, ast.ClassDef) and one.name in FACE]
        owners = {part: of_class for of_class in of_face for part in of_class.body}
        for one in nodes(text):
            if not isinstance(one, ast.FunctionDef) or (one.name.startswith("_") and one.name != "__init__"):
                continue
            doc = ast.get_docstring(one) or ""
            if one in owners:
                doc += "\n\n" + (ast.get_docstring(owners[one]) or "")
            elif "\nParameters\n---" not in doc:
                continue
            known = elsewhere if one.name in FACE or one in owners else {}
            errors = raised(one, [*module.body, *(owners[one].body if one in owners else ())], known)
            judged += bool(errors)
            missing = errors - says_raises(doc)
            if missing:
                found.append(f"{path.relative_to(PACKAGE)}: {one.name} raises {', '.join(sorted(missing))}")
    assert judged > 40
    assert not found, "\n".join(found)


def glossary() -> list[str]:
    """Terms of the glossary of DEVELOPERS.md."""
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("\n## Glossary\n")[1].split("\n## ")[0]
    rows = re.findall(r"^\| (.+?) \| .+ \|$", section, re.MULTILINE)
    return [term.strip() for row in rows[1:] for term in row.split(",") if not term.startswith("-")]


def test_a_term_of_the_glossary_stands_for_one_thing() -> None:
    """No term twice, and each in use; that a class of its name is the only one is held below."""
    terms = glossary()
    assert len(terms) > 20
    assert [term for term, count in Counter(terms).items() if count > 1] == []
    everything = "\n".join(SOURCES.values()).lower()
    assert [term for term in terms if term not in everything] == []


def type_names(text: str) -> Iterator[tuple[str, str]]:
    """Classes, type aliases and type variables of a module, without a leading underscore, and what each stands for."""
    for node in nodes(text):
        if isinstance(node, ast.ClassDef):
            yield node.name.lstrip("_"), f"class in line {node.lineno}"
        elif isinstance(node, ast.Assign) and node.col_offset == 0 and isinstance(node.targets[0], ast.Name):
            name = node.targets[0].id.lstrip("_")
            if name[0].isupper() and not name.isupper():
                yield name, ast.unparse(node.value)


def test_a_type_name_stands_for_one_thing() -> None:
    """No class shares its name with one of another module. An alias may be written in several, if it is the same."""
    places: dict[str, list[tuple[str, str]]] = {}
    for path, text in SOURCES.items():
        for name, meaning in type_names(text):
            places.setdefault(name, []).append((path.relative_to(PACKAGE).as_posix(), meaning))
    assert len(places) > 400
    twice = {
        name: found
        for name, found in places.items()
        if len(found) > 1 and (len({meaning for _, meaning in found}) > 1 or found[0][1].startswith("class "))
    }
    assert not twice, "\n".join(f"{name}: {found}" for name, found in twice.items())


ENTRANCES = {"main", "command", "routes"}
"""Names that every command and every view of the page has."""
TWIN_ROOMS = ({"plan", "emit"}, {"plan", "proving"})
"""The same thing in Python and C, or in a plan and its reference: only these share a function's name."""


def test_a_public_function_name_stands_for_one_thing() -> None:
    places: dict[str, list[str]] = {}
    for path, text in SOURCES.items():
        for node in parsed(text).body:
            is_command = isinstance(node, ast.FunctionDef) and any(
                "command" in ast.unparse(d) for d in node.decorator_list
            )
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_") and not is_command:
                found = places.setdefault(node.name, [])
                place = path.relative_to(PACKAGE).as_posix()
                found += [place] if place not in found else []
    assert len(places) > 800
    twice = {
        name: found
        for name, found in places.items()
        if len(found) > 1 and name not in ENTRANCES and {place.split("/")[0] for place in found} not in TWIN_ROOMS
    }
    assert not twice, "\n".join(f"{name}: {found}" for name, found in twice.items())


ROOM_LINE = re.compile(r'^"""[A-Z`][^\n]{15,}')


def test_a_module_says_what_it_does_in_its_first_line() -> None:
    short = [
        str(path.relative_to(PACKAGE)) for path, text in SOURCES.items() if not ROOM_LINE.match(text.split("\n")[0])
    ]
    assert short == []


ODD = re.compile(
    r"\b(mend(s|ed|ing)?|luckiest|whole story|said aloud|written over|turned round|(is|are|was|were) told (of|about)|"
    r"of its own accord|so long first|one telling|hangs? on|anew|nobody says|is no (number|name|unit|identifier|fault)|"
    r"behind (frame|message)|(or|and) the like|so (long|much|many)(?! (as|that))|(is|are) wanted|"
    r"as it stands|made whole|(driver|helper|one) works the|over and over|by themselves|comes? by itself|"
    r"stands (in|on|at|there|under|before|behind|beside)|engine stands|no surer|who speaks)\b|"
    r"with an? \w+ behind\b|(?<=[a-z\]}]), as (?=[`'\"]|[A-Z0-9]+\b(?<![A-Z]{5}))"
)


def test_guides_and_readme_are_plain_english() -> None:
    """Turns of phrase that stopped readers stay out of what a mechanic reads."""
    for path in (TOP / "README.md", *sorted((PACKAGE / "guides" / "pages").glob("*.md"))):
        found = ODD.search(path.read_text(encoding="utf-8"))
        assert found is None, f"{path.name}: {found[0] if found else ''}"


def test_what_the_program_says_is_plain_english() -> None:
    """The same turns of phrase stay out of every sentence in the code."""
    for path, text in SOURCES.items():
        docs = {id(one.value) for one in nodes(text) if isinstance(one, ast.Expr)}
        for one in nodes(text):
            if not isinstance(one, ast.Constant) or not isinstance(one.value, str) or id(one) in docs:
                continue
            found = ODD.search(one.value) if " " in one.value else None
            assert found is None, f"{path.relative_to(PACKAGE)}, line {one.lineno}: {found[0] if found else ''}"


def test_json_is_text_and_dict_is_a_dict() -> None:
    """What ends in `_json` gives text, what ends in `_dict` a dict, and `..._from_json` takes text. Everywhere."""
    odd, judged = [], 0
    for path, text in SOURCES.items():
        for one in nodes(text):
            if not isinstance(one, ast.FunctionDef) or "from_dict" in one.name:
                continue
            gives = "" if one.returns is None else ast.unparse(one.returns)
            first = one.args.args[0].annotation if one.args.args else None
            if one.name.endswith("from_json"):
                right = first is not None and ast.unparse(first) == "str"
            elif one.name.endswith("json"):
                right = gives == "str"
            elif one.name.endswith("_dict"):
                right = gives.startswith("dict[")
            else:
                continue
            judged += 1
            if not right:
                odd.append(f"{path.relative_to(PACKAGE)}:{one.lineno} {one.name} -> {gives}")
    assert judged > 20
    assert not odd, "\n".join(odd)
