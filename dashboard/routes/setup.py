"""The first-run page: plain forms that work without a script, one short step at a time."""

from __future__ import annotations

import hmac
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, TypeVar, cast

from anyio import to_thread
from fastapi import APIRouter, Body, Path, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment
from pydantic import BaseModel, Field

from daemon.drafting.desk import SetupDesk, neighbour
from daemon.errors import ConfigError
from dashboard.access import OneTimeCode, Sessions
from dashboard.assets import Assets
from dashboard.duct_drawing import drafted
from dashboard.forms import form_of
from dashboard.gate import COOKIE
from dashboard.problems import Refused

router = APIRouter()
MOST_FIELDS = 20
LONGEST_NAME = 40
StepName = Annotated[str, Path(max_length=LONGEST_NAME, pattern=r"^[a-z]+$")]
Number = Annotated[int, Path(ge=1, le=1000)]
"""Items count from 1 in paths, as they do on the page."""
T = TypeVar("T")


@dataclass
class SetupBox:
    """What the routes share. ``key`` opens the page: it stands in the address that the terminal showed. ``code`` opens it
    too, for a phone, where the owner asked for that."""

    desk: SetupDesk
    assets: Assets
    templates: Environment
    sessions: Sessions
    key: str
    monotonic: Callable[[], float]
    code: OneTimeCode | None = None
    said: list[str] = field(default_factory=list)
    """Sentences for the next page that is shown, once."""


def box_of(request: Request) -> SetupBox:
    """The box of the application that serves ``request``."""
    return cast(SetupBox, request.app.state.box)


async def _ask(run: Callable[..., T], *arguments: Any) -> T:
    """The desk in a worker thread: it writes files. What is not there and what cannot be written become answers."""
    try:
        return await to_thread.run_sync(run, *arguments)
    except LookupError as error:
        raise Refused(404, _sentence(str(error.args[0] if error.args else error))) from error
    except ConfigError as error:
        raise Refused(503, f"{'; '.join(error.problems)}.") from error


async def _page(request: Request, name: str, template: str, status: int = 200, **context: Any) -> HTMLResponse:
    box = box_of(request)
    overview = await _ask(box.desk.overview)
    said, box.said[:] = list(box.said), []
    text = box.templates.get_template(template).render(overview=overview, here=name, said=said, **context)
    return HTMLResponse(text, status_code=status)


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _to(path: str) -> RedirectResponse:
    return RedirectResponse(path, status_code=303)


@router.get("/login")
def log_in(request: Request, key: str = "") -> Response:
    """The way in: the address that the terminal showed carries the key; a phone is asked for the code."""
    box = box_of(request)
    return _let_in(box) if hmac.compare_digest(key.encode(), box.key.encode()) else _way_in(box, "")


@router.post("/login")
async def try_code(request: Request) -> Response:
    """The code that the terminal showed."""
    box, form = box_of(request), await form_of(request)
    if box.code is not None and box.code.opens(form.get("code", "")[:40], box.monotonic()):
        return _let_in(box)
    return _way_in(box, "That is not the code.")


def _let_in(box: SetupBox) -> Response:
    answer = _to("/setup")
    answer.set_cookie(COOKIE, box.sessions.open(box.monotonic()), httponly=True, samesite="strict")
    return answer


def _way_in(box: SetupBox, said: str) -> Response:
    over = box.code is not None and box.code.over(box.monotonic())
    page = box.templates.get_template("setup_key.html").render(asks=box.code is not None, over=over, said=said)
    return HTMLResponse(page, status_code=401)


@router.get("/healthz")
def alive() -> dict[str, str]:
    """It lives."""
    return {"status": "setup"}


@router.get("/static/{version}/{name}")
def static_file(request: Request, version: str, name: str) -> Response:
    """A static file."""
    return box_of(request).assets.answer(request, name)


@router.get("/")
@router.get("/setup")
async def begin(request: Request) -> Response:
    """To the first step that is not done."""
    overview = await _ask(box_of(request).desk.overview)
    return _to("/setup/done" if overview.written else f"/setup/{overview.begin}")


@router.get("/setup/review")
async def review(request: Request) -> Response:
    """What was understood, the text, and the word to write it."""
    found = await _ask(box_of(request).desk.review)
    return await _page(request, "review", "setup_review.html", out=found, map=drafted(found.pieces))


@router.post("/setup/review")
async def write(request: Request) -> Response:
    """Write the file."""
    box = box_of(request)
    form = await form_of(request)
    written = await _ask(box.desk.write, form.get("mark", ""), form.get("replace") == "yes")
    if written.problem:
        box.said.append(_sentence(written.problem))
        return _to("/setup/review")
    if written.kept:
        box.said.append(f"The older file is kept as {written.kept}.")
    return _to("/setup/done")


@router.get("/setup/done")
async def done(request: Request) -> Response:
    """It is written; what comes next."""
    return await _page(request, "done", "setup_done.html")


@router.post("/setup/end")
async def end(request: Request) -> Response:
    """Stop serving."""
    page = await _page(request, "done", "setup_done.html", ended=True)
    await _ask(box_of(request).desk.end)
    return page


@router.post("/setup/search")
async def search(request: Request) -> Response:
    """Begin to listen for sensors."""
    box = box_of(request)
    trouble = await _ask(box.desk.search, await form_of(request))
    if trouble:
        box.said.append(_sentence(trouble))
    return _to("/setup/sources#search")


@router.post("/setup/take/{number}")
async def take(request: Request, number: Number) -> Response:
    """Take over what was found at one place."""
    box = box_of(request)
    left = await _ask(box.desk.take, number - 1)
    box.said.extend(f"Left out: {words}." for words in left)
    if not left:
        box.said.append("Taken over: the source, and the sensors that were recognised.")
    return _to("/setup/sources")


@router.post("/setup/rehearse")
async def rehearse(request: Request) -> Response:
    """The simulator in place of sensors."""
    await _ask(box_of(request).desk.rehearse)
    return _to("/setup/sources")


@router.get("/setup/{name}")
async def show(request: Request, name: StepName) -> Response:
    """One step."""
    desk = box_of(request).desk
    step = await _ask(desk.step, name)
    if not step.many:
        return await _form(request, name, None)
    listing = await _ask(desk.listing, name)
    back = neighbour(step, False)
    return await _page(request, name, "setup_list.html", list=listing, step=step, back=back, map=drafted(listing.pieces))


@router.post("/setup/{name}")
async def answer(request: Request, name: StepName) -> Response:
    """The answers of a step that is asked once; or, of one with items, that its list is complete."""
    box = box_of(request)
    step = await _ask(box.desk.step, name)
    following = f"/setup/{neighbour(step, True)}"
    if not step.many:
        return await _saved(request, name, None, following)
    trouble = await _ask(box.desk.pass_on, name)
    if trouble:
        box.said.append(_sentence(trouble))
        return _to(f"/setup/{name}")
    return _to(following)


@router.get("/setup/{name}/new")
async def new_item(request: Request, name: StepName, kind: Annotated[str, Field(max_length=LONGEST_NAME)] = "") -> Response:
    """The questions about a new item."""
    return await _form(request, name, None, given={"kind": kind} if kind else None)


@router.post("/setup/{name}/new")
async def add_item(request: Request, name: StepName) -> Response:
    """A new item."""
    return await _saved(request, name, None, f"/setup/{name}")


@router.get("/setup/{name}/{number}")
async def old_item(request: Request, name: StepName, number: Number) -> Response:
    """The questions about an item that is there."""
    return await _form(request, name, number - 1)


@router.post("/setup/{name}/{number}")
async def change_item(request: Request, name: StepName, number: Number) -> Response:
    """An item changed."""
    return await _saved(request, name, number - 1, f"/setup/{name}")


@router.post("/setup/{name}/{number}/remove")
async def remove_item(request: Request, name: StepName, number: Number) -> Response:
    """An item taken out."""
    await _ask(box_of(request).desk.remove, name, number - 1)
    return _to(f"/setup/{name}")


async def _form(
    request: Request,
    name: str,
    index: int | None,
    given: Mapping[str, str] | None = None,
    problems: Mapping[str, str] | None = None,
) -> Response:
    form = await _ask(box_of(request).desk.form, name, index, given, problems)
    path = f"/setup/{name}" if not form.step.many else f"/setup/{name}/{'new' if index is None else index + 1}"
    return await _page(
        request, name, "setup_form.html", 422 if problems else 200, form=form, step=form.step, path=path,
        back=neighbour(form.step, False), map=drafted(form.pieces),
    )


async def _saved(request: Request, name: str, index: int | None, then: str) -> Response:
    given = await form_of(request)
    checked = await _ask(box_of(request).desk.save, name, index, given)
    return _to(then) if checked.good else await _form(request, name, index, given, checked.problems)


class CheckIn(BaseModel):
    """Answers as far as they are given, while they are being given. ``index`` counts from 0; none: a new item. ``own`` names
    those that the owner gave; the others are suggestions as they stand."""

    index: int | None = Field(default=None, ge=0, le=1000)
    answers: dict[Annotated[str, Field(max_length=LONGEST_NAME)], Annotated[str, Field(max_length=8000)]] = Field(
        max_length=MOST_FIELDS
    )
    own: set[Annotated[str, Field(max_length=LONGEST_NAME)]] = Field(default=set(), max_length=MOST_FIELDS)


class CheckOut(BaseModel):
    """What is wrong, by question, and what is suggested for the rest after the owner's answers."""

    problems: dict[str, str]
    suggested: dict[str, str]


@router.post("/api/v1/setup/{name}/check")
async def check(request: Request, name: StepName, asked: Annotated[CheckIn, Body()]) -> CheckOut:
    """The same check as when they are sent; the owner's own answers are kept for whoever comes back."""
    desk = box_of(request).desk
    own = {question: text for question, text in asked.answers.items() if question in asked.own}
    return CheckOut(
        problems=await _ask(desk.check, name, asked.index, asked.answers, sorted(asked.own)),
        suggested=await _ask(desk.suggest, name, asked.index, own),
    )


class ListeningOut(BaseModel):
    """Whether it still listens, and what it does."""

    running: bool
    words: str
    found: int


@router.get("/api/v1/setup/search")
async def listening(request: Request) -> ListeningOut:
    """How far the search is."""
    state = await _ask(box_of(request).desk.search_state)
    return ListeningOut(running=state.running, words=state.words, found=len(state.found))
