"""A label server as the exchange sees it: projects, tasks and answers, every value of them checked as it comes in.

Speaks through the SDK, whose own repeating is switched off (`wire` knows what may be repeated). What a server says is taken for
what it may be: numbers are bounded, moments have a zone, names are one line; a task or answer that is broken is told in words and
does not stop the others. Nothing here knows a candidate.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from typing import TYPE_CHECKING, Any, TypeVar

from annotate.errors import AnnotateError
from annotate.exchange.labelling import find_missing, write_configuration
from annotate.exchange.tokens import Token
from annotate.judging.readings import name_person

if TYPE_CHECKING:
    from label_studio_sdk.client import LabelStudio

T = TypeVar("T")

TASKS_AT_ONCE = 100
PROJECTS_AT_ONCE = 100
MOST_PAGES = 10_000
"""A million tasks; a server that never ends is broken."""

LARGEST_NUMBER = 2**53
"""Of a task or answer; larger ones are no longer exact in JSON (RFC 8259, section 6)."""

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
"""No label server has answers from before."""

LONGEST_NAME = 80
LONGEST_TITLE = 50
"""Letters; a longer title was cut or refused by servers (common practice, no source)."""

LONGEST_DETAIL = 200
VERSION_LETTERS = 16
NOT_FOUND = 404


@dataclass(frozen=True, slots=True)
class Project:
    """A project of a label server: its number and title."""

    id: int
    title: str


@dataclass(frozen=True, slots=True)
class Annotation:
    """One version of an answer that a person gave to a task.

    Attributes
    ----------
    person : number of the annotator
    at : when it was given or last changed
    version : changes whenever the moment or what is said changes
    results : its parts as the server sent them, not checked
    was_skipped : whether the person passed the task over
    """

    id: int
    person: int
    at: datetime
    version: str
    results: object
    was_skipped: bool


@dataclass(frozen=True, slots=True)
class Task:
    """A task as it stands in a project.

    Attributes
    ----------
    key : what its data say it shows, empty where they do not
    annotations : in the order of their moments
    lacks_suggestion : whether the server says that it has none
    problems : what of it could not be read, in words
    """

    id: int
    key: str
    annotations: tuple[Annotation, ...]
    lacks_suggestion: bool
    problems: tuple[str, ...]


@contextmanager
def open_server(address: str, token: Token) -> Iterator["LabelServer"]:
    """Give a label server to speak to.

    Parameters
    ----------
    address : as `annotate.exchange.wire.read_address` returns it

    Raises
    ------
    annotate.errors.AnnotateError
        Where the extra is not installed, or the token has run out.
    """
    try:
        from label_studio_sdk.client import LabelStudio
        from label_studio_sdk.core.api_error import ApiError

        from annotate.exchange.wire import keep_out_of_logs, open_client
    except ImportError as error:
        raise AnnotateError(
            f"label server: expected the extra for it; found it not installed ({error.name}); "
            "install it with: pip install 'leafshade[exchange]'"
        ) from error
    with keep_out_of_logs(token.hide_in), open_client(address, hide_in=token.hide_in) as client:
        try:
            # The slash keeps an address with a path whole where the SDK asks for a new key.
            sdk = LabelStudio(
                base_url=f"{address}/", api_key=token.reveal(), httpx_client=client, max_retries=0
            )
        except ApiError:
            raise AnnotateError(
                f"label server {address}: expected a token that is still good; found one that has run out or names no end; "
                "make a new one on the server"
            ) from None
        yield LabelServer(address, token, sdk)


class _Missing(AnnotateError):
    """The server has no such thing."""


class LabelServer:
    """An open connection; use `open_server`. It keeps nothing but the names of people it asked for.

    Attributes
    ----------
    address : by which what was sent is remembered
    """

    def __init__(self, address: str, token: Token, sdk: "LabelStudio") -> None:
        self.address = address
        self._token = token
        self._sdk = sdk
        self._names: dict[int, str] | None = None

    def find_project(self, wanted: str) -> Project | None:
        """Return the project of that number or title, None where there is none of that title.

        Raises
        ------
        annotate.errors.AnnotateError
            Where the number is unknown, several have the title, or its labelling configuration lacks our parts.
        """
        if wanted.isascii() and wanted.isdigit():
            found = self._find(self._sdk.projects.get, int(wanted) if len(wanted) < 16 else 0)
            if found is None:
                raise self._say(
                    f"a project with the number {wanted}; found none", "see the numbers on the server"
                )
            return self._adopt_project(found)
        same = [one for one in self._list_projects() if self._read_text(one.get("title")) == wanted]
        if len(same) > 1:
            numbers = ", ".join(str(self._read_number(one, "id")) for one in same)
            raise self._say(
                f"one project {wanted!r}; found {len(same)}: {numbers}", "name the right one by its number"
            )
        if not same:
            return None
        number = self._read_number(same[0], "id")
        # A list may leave the configuration out.
        return self._adopt_project(self._ask(self._sdk.projects.get, number))

    def make_project(self, title: str) -> Project:
        """Make a project with our labelling configuration."""
        if not 0 < len(title) <= LONGEST_TITLE or not title.isprintable():
            raise self._say(
                f"a title of 1 to {LONGEST_TITLE} letters; found {len(title)}", "choose a shorter one"
            )
        made = self._ask(self._sdk.projects.create, title=title, label_config=write_configuration())
        return Project(self._read_number(_to_fields(made), "id"), title)

    def list_tasks(self, project: Project) -> Iterator[Task]:
        """Yield the tasks of a project, each once; pictures are let go of at once."""
        seen: set[int] = set()
        for page in range(1, MOST_PAGES + 1):
            # Past the last page there is none; that the project is there was asked before.
            pager = self._find(
                self._sdk.tasks.list, project=project.id, page=page, page_size=TASKS_AT_ONCE, fields="all"
            )
            items = [] if pager is None else pager.items
            if not isinstance(items, list):
                raise self._say("a list of tasks; found something else", "check the address")
            tasks = [self._read_task(_to_fields(item)) for item in items]
            new = [task for task in tasks if task.id not in seen]
            if not new:
                return
            seen.update(task.id for task in new)
            yield from new

    def find_task(self, number: int) -> Task | None:
        """Return one task, None where it is gone."""
        found = self._find(self._sdk.tasks.get, str(number))
        return None if found is None else self._read_task(_to_fields(found))

    def make_task(self, project: Project, data: Mapping[str, str]) -> int:
        """Make a task; return its number.

        Raises
        ------
        annotate.exchange.wire.Interrupted
            Where nobody knows whether it was made.
        """
        made = self._ask(self._sdk.tasks.create, project=project.id, data=dict(data))
        return self._read_number(_to_fields(made), "id")

    def suggest(self, task: int, results: list[dict[str, Any]], *, score: float, model: str) -> None:
        """Give a task a suggestion: its results, the score from 0 to 1, and what made it."""
        self._ask(self._sdk.predictions.create, task=task, result=results, score=score, model_version=model)

    def name_person(self, number: int) -> str:
        """Return the name of an annotator in one line, by number where the server does not tell it."""
        if self._names is None:
            self._names = self._ask_names()
        return self._names.get(number, f"annotator {number}")

    def _ask_names(self) -> dict[int, str]:
        """Return number -> name; two of one name are told apart by their numbers, an account that may not ask gets none."""
        try:
            people = self._ask(self._sdk.users.list)
        except AnnotateError:
            return {}
        names = {}
        for person in people if isinstance(people, list) else []:
            fields = _to_fields(person)
            try:
                number = self._read_number(fields, "id")
            except AnnotateError:
                continue
            whole = " ".join(
                self._read_text(fields.get(part)) for part in ("first_name", "last_name")
            ).strip()
            name = whole or self._read_text(fields.get("username")) or self._read_text(fields.get("email"))
            if name:
                names[number] = name[:LONGEST_NAME].strip()
        # Here people are told apart without capitals and blanks: so written, two of them would be one.
        alike = Counter(name_person(name) for name in names.values())
        return {
            number: f"{name} ({number})" if alike[name_person(name)] > 1 else name
            for number, name in names.items()
        }

    def _list_projects(self) -> Iterator[dict[str, Any]]:
        seen: set[int] = set()
        for page in range(1, MOST_PAGES + 1):
            ask = self._ask if page == 1 else self._find
            pager = ask(self._sdk.projects.list, page=page, page_size=PROJECTS_AT_ONCE)
            items = [] if pager is None else pager.items
            if not isinstance(items, list):
                raise self._say("a list of projects; found something else", "check the address")
            new = [one for one in map(_to_fields, items) if self._read_number(one, "id") not in seen]
            if not new:
                return
            seen.update(self._read_number(one, "id") for one in new)
            yield from new

    def _adopt_project(self, found: object) -> Project:
        fields = _to_fields(found)
        project = Project(self._read_number(fields, "id"), self._read_text(fields.get("title")))
        configuration = fields.get("label_config")
        missing = find_missing(configuration if isinstance(configuration, str) else "")
        if missing:
            raise self._say(
                f"project {project.id} to be laid out for candidates; found no {', '.join(missing)} in it",
                "name another project, or a new title and it is made",
            )
        return project

    def _read_task(self, fields: Mapping[str, Any]) -> Task:
        number = self._read_number(fields, "id")
        data = fields.get("data")
        key = data.get("candidate") if isinstance(data, Mapping) else ""
        annotations, problems = [], []
        given = fields.get("annotations")
        for one in given if isinstance(given, list) else []:
            try:
                annotations.append(self._read_annotation(_to_fields(one)))
            except AnnotateError as error:
                problems.append(f"task {number}: {error}")
        annotations.sort(key=lambda one: (one.at, one.id))
        suggestions = fields.get("total_predictions")
        return Task(
            id=number,
            key=key if isinstance(key, str) else "",
            annotations=tuple(annotations),
            lacks_suggestion=suggestions == 0 and not isinstance(suggestions, bool),
            problems=tuple(problems),
        )

    def _read_annotation(self, fields: Mapping[str, Any]) -> Annotation:
        at = self._read_moment(fields.get("updated_at") or fields.get("created_at"))
        results = fields.get("result")
        said = json.dumps(results, sort_keys=True, default=str)
        digest = sha256(said.encode("utf-8", "replace")).hexdigest()[:VERSION_LETTERS]
        person = fields.get("completed_by")
        # A number, or the person's record with it.
        inside = person if isinstance(person, Mapping) else {"id": person}
        return Annotation(
            id=self._read_number(fields, "id"),
            person=self._read_number(inside, "id"),
            at=at,
            version=f"{at.isoformat()} {digest}",
            results=results,
            was_skipped=fields.get("was_cancelled") is True,
        )

    def _read_moment(self, value: object) -> datetime:
        try:
            moment = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
            # A moment without a zone is UTC: servers keep theirs so.
            moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
        except (ValueError, OverflowError):
            raise self._say(
                f"the moment of an answer; found {ascii(value)[:40]}", "answer it again there"
            ) from None
        if moment < EARLIEST:
            raise self._say(
                f"an answer from {EARLIEST.year} or later; found {moment.isoformat()}", "correct its clock"
            )
        return moment

    def _read_number(self, fields: Mapping[str, Any], name: str) -> int:
        value = fields.get(name)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 < value < LARGEST_NUMBER:
            raise self._say(
                f"a whole number for {name!r}; found {ascii(value)[:40]}", "ask who runs the server"
            )
        return value

    def hide_in(self, text: str) -> str:
        """Return a text that holds something the server said, without the token should it repeat that."""
        return self._token.hide_in(text)

    def _read_text(self, value: object) -> str:
        """Return a text in one line of printable letters, empty where it is none."""
        if not isinstance(value, str):
            return ""
        return self.hide_in(" ".join("".join(c if c.isprintable() else " " for c in value).split()))

    def _find(self, function: Callable[..., T], *arguments: Any, **named: Any) -> T | None:
        """Ask the server for something; None where it says that there is no such thing."""
        try:
            return self._ask(function, *arguments, **named)
        except _Missing:
            return None

    def _ask(self, function: Callable[..., T], *arguments: Any, **named: Any) -> T:
        """Ask the server through the SDK.

        The errors of the SDK hold what the server sent, so they are put into words of ours and let go of.
        """
        from label_studio_sdk.core.api_error import ApiError
        from label_studio_sdk.core.parse_error import ParsingError

        try:
            return function(*arguments, **named)
        except AnnotateError:
            raise
        except ApiError as error:
            if error.status_code == NOT_FOUND:
                raise _Missing(
                    str(self._say("what was asked for; found nothing there (HTTP 404)", "check the address"))
                ) from None
            detail = self._tell_detail(error.body)
            raise self._say(
                f"it to do what was asked; found HTTP {error.status_code}{detail}",
                "correct what it says, or ask who runs it",
            ) from None
        except (
            ParsingError,
            AttributeError,
            LookupError,
            TypeError,
            ValueError,
            ArithmeticError,
            RecursionError,
        ) as error:
            raise self._say(
                f"an answer of the usual form; found another ({type(error).__name__})",
                "check that the address is that of the label server",
            ) from None

    def _tell_detail(self, body: object) -> str:
        """Return what the server says of an error in one line, without the token should it repeat that."""
        said = self._token.hide_in(body if isinstance(body, str) else json.dumps(body, default=str))
        plain = " ".join("".join(c if c.isprintable() else " " for c in said).split())
        return f": {plain[:LONGEST_DETAIL]}" if plain and not plain.startswith("<") else ""

    def _say(self, expected_and_found: str, advice: str) -> AnnotateError:
        said = f"label server {self.address}: expected {expected_and_found}; {advice}"
        return AnnotateError(self._token.hide_in(said))


def _to_fields(value: object) -> dict[str, Any]:
    """Return the fields of what the SDK made of a JSON object, one level deep; nothing where it was no object."""
    if isinstance(value, Mapping):
        return {str(name): inner for name, inner in value.items()}
    extra = getattr(value, "model_extra", None)
    fields = getattr(value, "__dict__", None)
    return {**(fields if isinstance(fields, dict) else {}), **(extra if isinstance(extra, dict) else {})}
