"""The pages and the API's own documentation, all served from here: nothing comes from elsewhere."""

from __future__ import annotations

import html
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles

from daq.service.access import COOKIE
from daq.theme import chart_dir, pages_dir

__all__ = ["add_pages"]

_HEAD = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>lyewatch API</title>
<link rel="icon" href="/pages/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="/pages/styles/theme.css">
<link rel="stylesheet" href="/pages/styles/base.css">
<link rel="stylesheet" href="/pages/styles/runs.css">
</head>
<body>
<main class="reference">
<p><a href="/">Live page</a></p>
"""


def add_pages(app: FastAPI) -> None:
    """Serve the pages, their files and /docs."""
    folder = pages_dir()

    async def live(request: Request) -> Response:
        token = request.query_params.get("token")
        if token:
            # Once in the address, then in a cookie: an address is kept in histories and shown on screens.
            answer = RedirectResponse("/", status_code=303)
            answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", max_age=30 * 86400)
            return answer
        return _page("index.html")

    async def runs() -> Response:
        return _page("runs.html")

    async def builds() -> Response:
        return _page("builds.html")

    async def build() -> Response:
        return _page("build.html")

    async def fills() -> Response:
        return _page("fills.html")

    async def run(run_id: str) -> Response:
        return _page("run.html")

    async def docs() -> Response:
        return HTMLResponse(_documentation(app.openapi()))

    def _page(name: str) -> FileResponse:
        return FileResponse(folder / name, headers={"Cache-Control": "no-cache"})

    for path, endpoint in (
        ("/", live),
        ("/runs", runs),
        ("/builds", builds),
        ("/build", build),
        ("/fills", fills),
        ("/runs/{run_id}", run),
        ("/docs", docs),
    ):
        app.add_api_route(path, endpoint, include_in_schema=False, response_class=HTMLResponse)
    app.mount("/pages/uplot", StaticFiles(directory=chart_dir(), check_dir=False), name="chart")
    app.mount("/pages", StaticFiles(directory=folder), name="pages")


def _documentation(schema: dict[str, Any]) -> str:
    """The OpenAPI document as a page that needs no script; the document itself is at /openapi.json."""
    parts = []
    for path, methods in schema["paths"].items():
        for method, operation in methods.items():
            rows = "".join(
                f"<tr><td><code>{_e(p['name'])}</code></td><td>{_e(p['in'])}</td>"
                f"<td>{_e(_type(p.get('schema', {})))}</td><td>{_e(p.get('description', ''))}</td></tr>"
                for p in operation.get("parameters", [])
            )
            body = (
                operation.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema")
            )
            for name, field in _fields(schema, body):
                rows += (
                    f"<tr><td><code>{_e(name)}</code></td><td>body</td><td>{_e(_type(field))}</td>"
                    f"<td>{_e(field.get('description', ''))}</td></tr>"
                )
            table = (
                '<div class="scroll" tabindex="0" role="group" aria-label="What it takes"><table><thead><tr>'
                '<th scope="col">name</th><th scope="col">in</th><th scope="col">type</th>'
                f'<th scope="col">meaning</th></tr></thead><tbody>{rows}</tbody></table></div>'
                if rows
                else ""
            )
            parts.append(
                f"<section><h2><code>{method.upper()} {_e(path)}</code></h2>"
                f"<p>{_e(operation.get('description', operation.get('summary', '')))}</p>{table}</section>"
            )
    info = schema["info"]
    return (
        f"{_HEAD}<h1>{_e(info['title'])} API {_e(info['version'])}</h1>"
        f"<p>{_e(info.get('description', ''))} Machine-readable: "
        '<a href="/openapi.json">openapi.json</a>. '
        'Errors come as <code>{"error": {place, message, value, remedy}}</code>.</p>'
        + "".join(parts)
        + "</main>\n</body>\n</html>\n"
    )


def _fields(schema: dict[str, Any], body: dict[str, Any] | None) -> list[tuple[str, dict[str, Any]]]:
    if body is None:
        return []
    options = body.get("anyOf", [body])
    ref = next((o["$ref"] for o in options if "$ref" in o), None)
    if ref is None:
        return []
    model = schema["components"]["schemas"][ref.rpartition("/")[2]]
    return list(model.get("properties", {}).items())


def _type(schema: dict[str, Any]) -> str:
    if "anyOf" in schema:
        return " or ".join(_type(s) for s in schema["anyOf"])
    return str(schema.get("type", schema.get("const", "any")))


def _e(text: object) -> str:
    return html.escape(str(text))
