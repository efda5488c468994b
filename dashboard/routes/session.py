"""The way in and out, where the configuration asks for a password."""

from __future__ import annotations

from anyio import to_thread
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from dashboard.access import SESSION_S, check_password
from dashboard.box import box_of
from dashboard.forms import form_of, local_path
from dashboard.gate import COOKIE, session_token

router = APIRouter()


@router.get("/login")
def login_page(request: Request) -> Response:
    """The form that asks for the password."""
    return _form(request, local_path(request.query_params.get("next", "/")), "", 200)


@router.get("/no-contact")
def no_contact(request: Request) -> HTMLResponse:
    """What a browser shows, out of its own store, while nothing answers."""
    return HTMLResponse(box_of(request).templates.get_template("no_contact.html").render())


@router.get("/worker.js")
def worker(request: Request) -> Response:
    """The script that keeps that page in the browser; it must stand at the root, and never be an old one."""
    return box_of(request).assets.answer(request, "worker.js", keep=False)


@router.post("/login")
async def log_in(request: Request) -> Response:
    """Check the password; wrong ones make the next try wait."""
    box = box_of(request)
    form = await form_of(request)
    back = local_path(form.get("next", "/"))
    stored = box.settings.password_hash
    if stored is None:
        return RedirectResponse(back, status_code=303)
    limit = box.guesses.of(request.client.host if request.client else "")
    wait = limit.wait_s(box.monotonic())
    if wait > 0:
        wait_form = _form(request, back, f"Too many wrong passwords. Try again in {wait:.0f} seconds.", 429)
        wait_form.headers["retry-after"] = f"{wait:.0f}"
        return wait_form
    # Counted as wrong until it has proved right: many tries at the same moment must not slip past the count.
    limit.wrong(box.monotonic())
    async with box.one_guess:  # each takes 16 MiB and a good part of a second on a small board
        right = await to_thread.run_sync(check_password, form.get("password", "")[:1024], stored)
    if not right:
        return _form(request, back, "That is not the password.", 401)
    limit.right()
    answer = RedirectResponse(back, status_code=303)
    secure = request.url.scheme == "https"
    answer.set_cookie(
        COOKIE, box.sessions.open(box.monotonic()), max_age=int(SESSION_S), httponly=True, samesite="strict", secure=secure
    )
    return answer


@router.post("/logout")
async def log_out(request: Request) -> Response:
    """End this device's session."""
    box_of(request).sessions.close(session_token(request.headers))
    answer = RedirectResponse("/", status_code=303)
    answer.delete_cookie(COOKIE, samesite="strict")
    return answer


def _form(request: Request, back: str, said: str, status: int) -> HTMLResponse:
    text = box_of(request).templates.get_template("login.html").render(back=back, said=said)
    return HTMLResponse(text, status_code=status)
