"""Answers of the API held against its OpenAPI document."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from jsonschema import Draft202012Validator
from starlette.testclient import TestClient

from daq.study.schemas import schema_of

__all__ = ["DocumentedClient", "answer_schemas"]

_STUDY = "/api/schemas/"


def answer_schemas(document: dict[str, Any]) -> Iterator[tuple[str, str, str, dict[str, Any]]]:
    """Method, path, status and content of every answer of an OpenAPI document."""
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            for status, response in operation["responses"].items():
                yield method.upper(), path, status, response.get("content", {})


class DocumentedClient(TestClient):
    """A client that holds every JSON answer under /api against the document of the application."""

    def request(self, method: Any, url: Any, *args: Any, **more: Any) -> Any:
        """See `TestClient`."""
        answer = super().request(method, url, *args, **more)
        media = answer.headers.get("content-type", "")
        if media.startswith("application/json") and answer.request.url.path.startswith("/api/"):
            self._check(answer)
        return answer

    def _check(self, answer: Any) -> None:
        document = self.app.openapi()  # type: ignore[attr-defined]
        path, status = answer.request.url.path, str(answer.status_code)
        contents = {
            code: content
            for method, template, code, content in answer_schemas(document)
            if method == answer.request.method and re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", template), path)
        }
        for code in (status, f"{status[0]}XX"):
            if code not in contents:
                continue
            schema = contents[code]["application/json"]["schema"]
            study = str(schema.get("$ref", ""))
            if study.startswith(_STUDY):
                schema = schema_of(study.removeprefix(_STUDY))
            elif "$ref" in schema:
                schema = {**schema, "components": document["components"]}
            Draft202012Validator(schema).validate(answer.json())
            return
        raise AssertionError(f"{answer.request.method} {path}: the answer {status} is not documented")
