"""Who may: first run, login, the sitter's sheet and links that acknowledge one alarm."""

from __future__ import annotations

from urllib.parse import urlencode

from werkzeug.wrappers import Response

from dewkeeper.notify.errors import LinkRefused
from dewkeeper.notify.links import GOOD_SECONDS, GROUP, Link, verify
from dewkeeper.notify.planner_state import Memory
from dewkeeper.notify.round_message import round_now
from dewkeeper.report.model import Rank, Standing
from dewkeeper.report.morning import morning
from dewkeeper.report.sitter import sitter_rows
from dewkeeper.report.standing import standing_now
from dewkeeper.report.wording import places
from dewkeeper.web.auth_store import SESSION_SECONDS, SitterLink
from dewkeeper.web.choices import BY_KEY, SITTER
from dewkeeper.web.drafts import TYPED, local_path, packed, unpacked
from dewkeeper.web.errors import Refused
from dewkeeper.web.limiter import login_wait_seconds
from dewkeeper.web.screens import living
from dewkeeper.web.visit import COOKIE, Visit

SHORTEST_PASSWORD = 10
_LONGEST_WANTED = 500
TOO_SHORT = f"A password needs at least {SHORTEST_PASSWORD} characters; a few words do well."
LONGEST_SITTER_HOURS = 60 * 24.0
SITTER_WORDS: dict[Rank, str] = {
    "unwatched": "not watched: look whether tub and snake are well",
    "shelved": "the keeper knows about it",
    "out_of_service": "not in use",
    "outside": "calm now",
    "calm": "calm",
}
"""What a sitter reads of an enclosure that has no alarm to act on; what is urgent or an alarm says itself."""


def ask_who(visit: Visit) -> Response:
    """Ask a stranger to log in; where they wanted to go, and what they typed, comes along."""
    request = visit.request
    if not visit.services.memory.logins:
        return visit.go("/first")
    if request.method == "POST":
        fields = packed(list(request.form.items(multi=True)))
        wrong = "You were logged out. Log in, and what you typed is offered again."
        return visit.render("login.html", status=403, wrong=wrong, kept=fields, kept_path=request.path, then="/")
    wanted = request.full_path.rstrip("?")
    return visit.go(
        "/login" if wanted == "/" or len(wanted) > _LONGEST_WANTED else f"/login?{urlencode({'then': wanted})}"
    )


def once_more(visit: Visit, status: int, text: str) -> Response:
    """Say why something was not done, and offer what was typed to be sent again."""
    pairs = unpacked(packed(list(visit.request.form.items(multi=True))))
    return visit.render("again.html", status=status, text=text, path=visit.request.path, pairs=pairs, typed=TYPED)


def login_form(visit: Visit) -> Response:
    """Show the login, or the first run while there is none."""
    if not visit.services.memory.logins:
        return visit.go("/first")
    return visit.render("login.html", then=local_path(visit.request.args.get("then", "/")))


def login(visit: Visit) -> Response:
    """Open a session for the right name and password; wrong tries are limited."""
    _limited(visit)
    name, password = visit.text("name", limit=60), visit.request.form.get("password", "")
    # No longer one can have been set.
    if not visit.services.memory.password_fits(name, password[:500]):
        visit.services.memory.audit(visit.now, "?", "login refused", visit.address)
        form = visit.request.form
        return visit.render(
            "login.html",
            status=403,
            wrong="Name or password is wrong.",
            name=name,
            then=local_path(form.get("then", "/")),
            kept=packed(unpacked(form.get("kept", ""))),
            kept_path=local_path(form.get("kept_path", "/")),
        )
    return _let_in(visit, name)


def first_form(visit: Visit) -> Response:
    """Show the form that sets a login, while there is none or somebody at the machine asked for a code."""
    if visit.services.memory.first_run_code is None:
        return visit.go("/login")
    return visit.render("first.html")


def first(visit: Visit) -> Response:
    """Set the keeper's login with the code the daemon printed; the code is then used up."""
    _limited(visit)
    code, name = visit.text("code", limit=60), visit.text("name", limit=60)
    password = visit.request.form.get("password", "")
    if not SHORTEST_PASSWORD <= len(password) <= 500:
        return visit.render("first.html", status=400, wrong=TOO_SHORT, name=name)
    if not visit.services.memory.set_login(code, name, password):
        visit.services.memory.audit(visit.now, "?", "first-run code refused", visit.address)
        return visit.render("first.html", status=403, wrong="That is not the code that was printed.", name=name)
    visit.services.memory.audit(visit.now, name, "set the login", visit.address)
    return _let_in(visit, name)


def logout(visit: Visit) -> Response:
    """Close this browser's session."""
    visit.services.memory.close_session(visit.request.cookies.get(COOKIE, ""))
    answer = visit.go("/login", "out")
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="Lax", secure=visit.secure)
    return answer


def _limited(visit: Visit) -> None:
    services = visit.services
    wait = login_wait_seconds(services.login_limit, services.login_limit_all, visit.address)
    if wait:
        raise Refused(429, f"Too many tries. Wait {wait} seconds and try again.", wait)


def _let_in(visit: Visit, name: str) -> Response:
    memory = visit.services.memory
    old = visit.request.cookies.get(COOKIE)
    # Whoever logs in anew on this browser leaves no session behind that nobody can close.
    if old:
        memory.close_session(old)
    token = memory.open_session(name, visit.now)
    visit.services.login_limit.forgive(visit.address)
    memory.audit(visit.now, name, "logged in", visit.address)
    form = visit.request.form
    pairs = unpacked(form.get("kept", ""))
    if pairs:
        visit.session = memory.session(token, visit.now)
        path, text = local_path(form.get("kept_path", "/")), "You are logged in. This is what you were about to do:"
        answer = visit.render("again.html", text=text, path=path, pairs=pairs, typed=TYPED)
    else:
        answer = visit.go(local_path(form.get("then", "/")))
    # Lax and not Strict: a link in a message leads to the page, where its keeper is logged in then.
    answer.set_cookie(
        COOKIE, token, max_age=SESSION_SECONDS, path="/", httponly=True, samesite="Lax", secure=visit.secure
    )
    return answer


def logins(visit: Visit) -> Response:
    """Show who may log in, and the forms to change a password, to add somebody and to take a login away."""
    return visit.render("logins.html", logins=visit.services.memory.logins, who=_who(visit))


def set_password(visit: Visit) -> Response:
    """Change one's own password, or make a login for somebody else; one's own password is asked for either way."""
    _limited(visit)
    memory, who = visit.services.memory, _who(visit)
    name = visit.text("name", limit=60)
    old, new = (visit.request.form.get(field, "")[:501] for field in ("old", "password"))
    if not memory.password_fits(who, old):
        memory.audit(visit.now, who, "own password was wrong", visit.address)
        raise Refused(403, "Your own password is not right, so nothing was changed.")
    if not SHORTEST_PASSWORD <= len(new) <= 500:
        raise Refused(403, TOO_SHORT)
    if name != who and name in memory.logins:
        raise Refused(403, "There is such a login; only its owner changes its password.")
    memory.set_password(name, new, keep=visit.request.cookies.get(COOKIE, ""))
    visit.services.login_limit.forgive(visit.address)
    memory.audit(visit.now, who, "changed the password" if name == who else f"made a login for {name}", visit.address)
    return visit.go("/logins", "password" if name == who else "person")


def remove_login(visit: Visit) -> Response:
    """Take somebody else's login away."""
    name, who = visit.text("name", limit=60), _who(visit)
    if name == who or not visit.services.memory.remove_login(name):
        raise Refused(403, "That login stays: it is your own, or there is none of that name.")
    visit.services.memory.audit(visit.now, who, f"took away the login of {name}", visit.address)
    return visit.go("/logins", "login_gone")


def ack_form(visit: Visit, token: str) -> Response:
    """Show the alarms a signed link is about, with a button. Opening it changes nothing: mail scanners open links."""
    link = _genuine(visit, token)
    return visit.render("ack.html", link=link, alarms=_about(visit, link), token=token)


def ack(visit: Visit, token: str) -> Response:
    """Acknowledge what a signed link is about: one alarm, or all that one message spoke of."""
    link = _genuine(visit, token)
    if link.alarm.startswith("path/"):
        visit.submit({"do": "notify_confirm", "way": link.alarm}, link.who, f"confirmed {link.alarm}")
        return visit.render("ack.html", link=link, alarms=[], token=token, done=True)
    found = _about(visit, link)
    for alarm in found:
        visit.submit({"do": "acknowledge", "alarm": alarm.alarm}, link.who, f"saw {alarm.alarm[:8]} by link")
    return visit.render("ack.html", link=link, alarms=found, token=token, done=bool(found))


def _about(visit: Visit, link: Link) -> list[Standing]:
    """Return the standing alarms a link is about; of a group those that had been told when the link was made."""
    wanted = {link.alarm}
    if link.alarm.startswith(GROUP):
        memory = Memory.load(visit.past.notes().get("planner"))
        wanted = memory.told_together(link.alarm.removeprefix(GROUP), link.expires - GOOD_SECONDS)
    standing = standing_now(visit.past, visit.services.config, visit.now)
    return [alarm for alarm in standing if alarm.alarm in wanted]


def _genuine(visit: Visit, token: str) -> Link:
    key = visit.services.link_key()
    if key is None:
        raise Refused(410, "This link is not good any more.")
    try:
        return verify(key, token, visit.now)
    except LinkRefused as error:
        raise Refused(410, f"Nothing was changed: {error}. Open the page to see what stands.") from error


def sitter_sheet(visit: Visit, token: str) -> Response:
    """Show the sitter's plain sheet: what to do per tub, the worst first, what not to touch, whom to call."""
    link = _sitter(visit, token)
    config = visit.services.config
    return visit.render(
        "sitter.html",
        link=link,
        token=token,
        rows=sitter_rows(
            morning(visit.past, config, visit.now).enclosures,
            round_now(visit.past, config, visit.now),
            living(visit.past),
            visit.wording,
        ),
        words=SITTER_WORDS,
        places=places(config),
        actions=[BY_KEY[key] for key in SITTER],
        vet=config.web.vet_phone,
        keeper=config.web.keeper_phone,
        heat_off=config.web.heat_off,
    )


def sitter_did(visit: Visit, token: str) -> Response:
    """Write one of the two things into the journal, in the sitter's name."""
    link = _sitter(visit, token)
    key = visit.text("choice", limit=40)
    if key not in SITTER:
        raise Refused(400, "This sheet knows only its two actions.")
    request = {"do": "journal", "what": BY_KEY[key].what, "enclosure": visit.text("enclosure", limit=60)}
    reply = visit.submit(request, link.name, f"sitter: {BY_KEY[key].label} at {request['enclosure']}")
    return visit.go(f"/sitter/{token}", visit.taken(reply, "journal"))


def _sitter(visit: Visit, token: str) -> SitterLink:
    link = visit.services.memory.sitter(token, visit.now)
    if link is None:
        raise Refused(410, "This sheet is closed. Ask the keeper for a new link.")
    return link


def new_sitter(visit: Visit) -> Response:
    """Make a link to the sheet, shown once."""
    who, name = _who(visit), visit.text("name", limit=40)
    until = visit.hours("hours", LONGEST_SITTER_HOURS)
    token = visit.services.memory.new_sitter(name, until, visit.now)
    visit.services.memory.audit(visit.now, who, f"made a sheet for {name}", visit.address)
    scheme = "https" if visit.secure else "http"
    base = visit.services.config.web.base_url or f"{scheme}://{visit.host}"
    return visit.render("sitter_link.html", address=f"{base.rstrip('/')}/sitter/{token}", name=name, until=until)


def end_sitters(visit: Visit) -> Response:
    """Close all sheets now."""
    visit.services.memory.end_sitters()
    visit.services.memory.audit(visit.now, _who(visit), "closed the sitter's links", visit.address)
    return visit.go("/health", "ended")


def heartbeat(visit: Visit) -> Response:
    """Take a neighbour's heartbeat; who else knocks here is answered nothing."""
    hear = visit.services.hear
    if hear is None:
        raise Refused(404, "There is no such page.")
    given = {name.lower(): value for name, value in visit.request.headers.items()}
    answer = hear(given, visit.request.get_data())
    return Response(answer.body, answer.status, answer.headers, content_type="application/json")


def _who(visit: Visit) -> str:
    return visit.session.who if visit.session else ""
