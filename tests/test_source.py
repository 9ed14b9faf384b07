"""What the source must not hold: a way to a network, a shell that reads a string, code made from text."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
NETWORK_MODULES = {
    "socket", "ssl", "http", "urllib.request", "urllib3", "ftplib", "smtplib", "poplib", "imaplib", "nntplib",
    "telnetlib", "xmlrpc", "socketserver", "asyncio", "requests", "httpx", "aiohttp", "webbrowser",
    "multiprocessing.managers", "PySide6.QtNetwork", "PySide6.QtWebSockets", "logging.handlers",
}  # fmt: skip
LOCAL_SOCKETS = {"meter/commands/screen.py"}
"""Asks whether a Wayland server answers, which listens at a file of this machine."""
SHELLS = {"os.system", "os.popen", "subprocess.getoutput", "subprocess.getstatusoutput", "os.execl", "os.spawnl"}
STARTERS = {"run", "Popen", "call", "check_call", "check_output"}
SUSPECT = re.compile(
    r"socket|ssl|http|urllib|ftplib|lib\b|xmlrpc|asyncio|requests|aiohttp|webbrowser|managers|Network|WebSockets|handlers"
    r"|AF_|create_connection|getaddrinfo|gethostby|subprocess|system|popen|shell|eval|exec|startCommand|spawn"
)
"""Files without any of these words are not parsed."""


def sources() -> list[Path]:
    found = sorted(path for top in ("dsp", "meter") for path in (ROOT / top).rglob("*.py"))
    assert len(found) > 200
    return [path for path in found if SUSPECT.search(path.read_text(encoding="utf-8"))]


def imports(tree: ast.AST) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= {node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def network_uses(path: Path, text: str) -> list[str]:
    tree = ast.parse(text)
    named = {f"import {name}" for name in imports(tree) & NETWORK_MODULES}
    if path.relative_to(ROOT).as_posix() in LOCAL_SOCKETS:
        named -= {"import socket"}
    words = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    words |= {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    return sorted(named | (words & {"AF_INET", "AF_INET6", "create_connection", "getaddrinfo", "gethostbyname"}))


def shell_strings(text: str) -> list[str]:
    """Calls in which a shell reads a string, or a program and its arguments are one string."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.Call):
            continue
        name = ast.unparse(node.func)
        shell = any(word.arg == "shell" and ast.unparse(word.value) != "False" for word in node.keywords)
        module, _, last = name.rpartition(".")
        one_string = module == "subprocess" and last in STARTERS and (not node.args or is_text(node.args[0]))
        if shell or one_string or name in {*SHELLS, "eval", "exec"} or last == "startCommand":
            found.append(f"line {node.lineno}: {name}")
    return found


def is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def test_the_source_names_no_network() -> None:
    assert {
        path.name: used for path in sources() if (used := network_uses(path, path.read_text(encoding="utf-8")))
    } == {}


def test_no_shell_reads_a_string() -> None:
    found = {path.name: shell_strings(path.read_text(encoding="utf-8")) for path in sources()}
    assert {name: used for name, used in found.items() if used} == {}


@pytest.mark.parametrize(
    "text",
    [
        "import subprocess\nsubprocess.run(f'pactl {name}')",
        "subprocess.Popen(['sh', '-c', x], shell=True)",
        "os.system('ls')",
        "process.startCommand(words)",
        "eval(text)",
        "subprocess.check_output('ls')",
    ],
)
def test_a_shell_string_would_be_found(text: str) -> None:
    assert shell_strings(text)


@pytest.mark.parametrize(
    "text", ["import urllib.request", "from PySide6 import QtNetwork", "import socket", "x = s.AF_INET6"]
)
def test_a_network_in_the_source_would_be_found(text: str) -> None:
    assert network_uses(ROOT / "meter" / "app.py", text)
