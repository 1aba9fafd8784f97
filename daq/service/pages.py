"""The pages and the API's own documentation, all served from here: nothing comes from elsewhere."""

from __future__ import annotations

import html
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles

from daq.service.access import COOKIE, REPORT_POLICY
from daq.service.assets import chart_dir, pages_dir

__all__ = ["add_pages"]

_STYLE = """
<meta name="viewport" content="width=device-width"><title>lyewatch API</title>
<style>
body { font: 16px/1.5 system-ui, sans-serif; max-width: 60rem; margin: 2rem auto; padding: 0 1rem;
       color: #222; background: #fff }
h2 { font-size: 1.05rem; margin: 2rem 0 .3rem }
table { border-collapse: collapse; width: 100% }
td, th { text-align: left; border-top: 1px solid #767676; padding: .3rem .6rem .3rem 0 }
@media (prefers-color-scheme: dark) { body { color: #e6e6e6; background: #1b1b1b } a { color: #9ecbff } }
</style>
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

    async def fills() -> Response:
        return _page("fills.html")

    async def run(run_id: str) -> Response:
        return _page("run.html")

    async def docs() -> Response:
        return HTMLResponse(_documentation(app.openapi()), headers={"Content-Security-Policy": REPORT_POLICY})

    def _page(name: str) -> FileResponse:
        return FileResponse(folder / name, headers={"Cache-Control": "no-cache"})

    for path, endpoint in (
        ("/", live),
        ("/runs", runs),
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
                f"<table><tr><th>name</th><th>in</th><th>type</th><th></th></tr>{rows}</table>"
                if rows
                else ""
            )
            parts.append(
                f"<section><h2><code>{method.upper()} {_e(path)}</code></h2>"
                f"<p>{_e(operation.get('description', operation.get('summary', '')))}</p>{table}</section>"
            )
    info = schema["info"]
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8">{_STYLE}'
        f"<h1>{_e(info['title'])} API {_e(info['version'])}</h1>"
        f"<p>{_e(info.get('description', ''))} Machine-readable: "
        '<a href="/openapi.json">openapi.json</a>. '
        'Errors come as <code>{"error": {place, message, value, remedy}}</code>.</p>' + "".join(parts)
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
