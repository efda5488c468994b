"""The one shape that every JSON error has: ``{"error": {"status", "title", "detail", "where"}}``."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from daemon.errors import StoreError


class ErrorBody(BaseModel):
    """What went wrong, in words that help the reader to put it right."""

    status: int = Field(examples=[404])
    title: str = Field(examples=["Not Found"])
    detail: str = Field(examples=["There is no alarm 12."])
    where: list[str] = Field(default_factory=list, examples=[["path: id"]])


class ErrorOut(BaseModel):
    """Every error of the API looks like this."""

    error: ErrorBody


ERRORS: dict[int | str, dict[str, Any]] = {
    status: {"model": ErrorOut, "description": HTTPStatus(status).phrase}
    for status in (400, 401, 403, 404, 409, 413, 422, 429, 503)
}
"""Declared on the API router, so that the OpenAPI page tells the error shape too."""


def problem(status: int, detail: str, where: list[str] | None = None, headers: dict[str, str] | None = None) -> JSONResponse:
    """A JSON error answer."""
    body = ErrorBody(status=status, title=HTTPStatus(status).phrase, detail=detail, where=where or [])
    return JSONResponse({"error": body.model_dump()}, status_code=status, headers=headers)


class Refused(Exception):
    """A request that cannot be served, with the status and the sentence that says why."""

    def __init__(self, status: int, detail: str, where: list[str] | None = None) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.where = where or []


def install(app: FastAPI, page: Callable[[Request, int, str, list[str]], Response] | None = None) -> None:
    """Make every way in which a request can fail end in the one shape, or, for a person who looks, in a ``page``."""

    def problem_for(
        request: Request, status: int, detail: str, where: list[str] | None = None, headers: dict[str, str] | None = None
    ) -> Response:
        for_programs = request.url.path.startswith(("/api/", "/static/")) or "text/html" not in request.headers.get("accept", "")
        if page is None or for_programs:
            return problem(status, detail, where, headers)
        try:
            return page(request, status, detail, where or [])
        except Exception:  # the page itself needs the store; where that is what failed, the sentence alone must do
            return problem(status, detail, where, headers)

    @app.exception_handler(Refused)
    async def _refused(request: Request, error: Refused) -> Response:
        return problem_for(request, error.status, error.detail, error.where)

    @app.exception_handler(HTTPException)
    async def _http(request: Request, error: HTTPException) -> Response:
        detail = str(error.detail)
        if error.status_code == 404 and detail == "Not Found":
            detail = f"There is nothing at {request.url.path}."
        if error.status_code == 405:
            detail = f"{request.method} is not possible at {request.url.path}."
        return problem_for(request, error.status_code, detail, headers=dict(error.headers or {}))

    @app.exception_handler(RequestValidationError)
    async def _invalid(request: Request, error: RequestValidationError) -> Response:
        where = []
        for item in error.errors():
            place = ".".join(str(part) for part in item["loc"][1:])
            where.append(f"{item['loc'][0]}: {place}: {item['msg']}" if place else f"{item['loc'][0]}: {item['msg']}")
        return problem_for(request, 422, "The request has a part that cannot be used.", where)

    @app.exception_handler(StoreError)
    async def _store(request: Request, error: StoreError) -> Response:
        return problem_for(request, 503, f"The store cannot be read just now: {str(error).rstrip('.')}.")
