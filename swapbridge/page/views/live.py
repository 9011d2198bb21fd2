"""Page room: the live view: recording with the guided script, and running a plan, watching by default."""

from __future__ import annotations

import re
import time

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.bus.adapters.spec import BusSpec, parse_bus
from swapbridge.bus.recording.script import load_script
from swapbridge.core.cautions import cautions_for
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.page.guard import STOP_PATH
from swapbridge.page.requests import BeginRecording, BeginRun, KeyPress
from swapbridge.page.site import Posted, Site, answer
from swapbridge.plan.serialise import plan_from_json
from swapbridge.swapfolder.paths import PLAN

SCRIPT_NAME = "stimulus_script.toml"
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,60}")


def routes(site: Site) -> list[Route]:
    """Routes of the live view."""
    control = site.live_control

    def show(request: Request) -> Response:
        return site.page(
            request,
            "live.html",
            listening=cautions_for("listen"),
            sending=cautions_for("send"),
            name=_recording_name(request.query_params.get("name", "")),
        )

    def state(request: Request) -> Response:
        return answer(control.to_dict())

    def record(request: Request, asked: BeginRecording) -> Response:
        name = asked.name
        if not _FILE_NAME.fullmatch(name):
            raise InputError("a recording's name has letters, digits, dashes and underscores")
        path = site.folder_files.path("captures", f"{name}.log")
        path.parent.mkdir(exist_ok=True)
        script = site.folder_files.path(SCRIPT_NAME)
        steps = load_script(script if script.is_file() else None) if asked.script else None
        scan_tool = asked.scan_tool or None
        active = asked.active
        if (active or scan_tool) and not request.state.session.local:
            raise RefusedError("open an adapter that may send on the machine itself, not from another one")
        control.start_recording(_specs(asked), path, active=active, script=steps, scan_tool=scan_tool)
        return answer({"started": path.name})

    def run(request: Request, asked: BeginRun) -> Response:
        sending = asked.sending
        acknowledged = asked.acknowledged
        if not request.state.session.local:
            raise RefusedError("run a translator on the machine itself, not from another one")
        if sending and not acknowledged:
            raise RefusedError("read the cautions and tick that you have, on this machine, before anything is sent")
        path = site.folder_files.path(PLAN)
        if not path.is_file():
            raise InputError("there is no plan here yet; compile one in the Bridge view")
        plan = plan_from_json(path.read_text(encoding="utf-8"))
        against = None
        if asked.against:
            against = (
                asked.against_bus,
                site.folder_files.capture_file(asked.against).path,
            )
        control.start_run(
            path,
            _specs(asked),
            sending=sending,
            acknowledged=acknowledged,
            unproved=asked.unproved,
            against=against,
        )
        return answer({"started": plan.name})

    def press(request: Request, asked: KeyPress) -> Response:
        control.press(asked.key, asked.text)
        return answer({})

    async def stop(request: Request) -> Response:
        """Takes no session, reads nothing and waits for nothing: there is no state in which it can be refused."""
        control.stop()
        return answer({})

    return [
        Route("/live", show),
        Route("/api/live", state),
        Posted("/api/live/record", BeginRecording, record),
        Posted("/api/live/run", BeginRun, run),
        Posted("/api/live/press", KeyPress, press),
        Route(STOP_PATH, stop, methods=["POST"]),
    ]


def _recording_name(asked: str) -> str:
    """The name offered for a recording: what the next step asks for, else the time."""
    return asked if _FILE_NAME.fullmatch(asked) else time.strftime("rec-%Y%m%d-%H%M")


def _specs(asked: BeginRecording | BeginRun) -> tuple[BusSpec, ...]:
    lines = [line.strip() for line in asked.buses.splitlines()]
    specs = tuple(parse_bus(line) for line in lines if line)
    if not specs and not (isinstance(asked, BeginRun) and asked.against):
        raise InputError("name at least one bus, for example donor=socketcan:can0")
    return specs
