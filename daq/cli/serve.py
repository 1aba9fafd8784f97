"""`lyewatch serve BENCH`: the service and its pages."""

from __future__ import annotations

import argparse
import socket
import sys
import traceback
from typing import TYPE_CHECKING

from daq.alarms import check_alarms
from daq.bench import load_bench
from daq.cli.common import bench_argument, port_number, stop_event
from daq.errors import LyewatchError

if TYPE_CHECKING:
    from fastapi import FastAPI

__all__ = ["add", "run", "serve_app"]

SAY_WHY_S = 0.5


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("serve", help="serve the live page, the runs and the API")
    bench_argument(parser)
    parser.add_argument("--host", help="listen on this address instead of the bench file's service.host")
    parser.add_argument(
        "--port", type=port_number, help="listen here instead of the bench file's service.port"
    )
    parser.add_argument(
        "--until-stdin-closes", action="store_true", help="also stop when standard input ends"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    from daq.service import create_app

    bench = load_bench(args.bench)
    check_alarms(bench)
    host = bench.service.host if args.host is None else args.host
    port = bench.service.port if args.port is None else args.port
    return serve_app(create_app(bench, host=host), host, port, until_stdin_closes=args.until_stdin_closes)


def serve_app(app: FastAPI, host: str, port: int, *, until_stdin_closes: bool) -> int:
    """Serve an application until told to stop, or until it is done; its `state.closing` is set then.

    Where a part of it has died it sets `state.failure`, an exception: then this ends too, says the cause, and
    returns 1, so that whoever keeps the service running starts it anew.

    Parameters
    ----------
    app : FastAPI
        With `state.closing`, an event.
    host, port : str, int
        Where to listen; port 0 takes any that is free.
    until_stdin_closes : bool
        Whether the end of the standard input ends it too.
    """
    import threading

    import uvicorn

    from daq.service.server import Server

    listener = _listen(host, port)
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{listener.getsockname()[1]}/"
    # An open event stream would hold a shutdown for ever; two seconds is enough for an answer under way.
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        timeout_graceful_shutdown=2,
        server_header=False,
        lifespan="on",
    )
    server = Server(config)
    # uvicorn's own signal handling re-raises the signal after shutdown, which would skip the store's closing.
    server.install_signal_handlers = lambda: None  # type: ignore[attr-defined]
    with stop_event(stdin_too=until_stdin_closes) as stop:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="uvicorn")
        thread.start()
        while thread.is_alive() and not stop.wait(0.5 if server.started and not address else 0.02):
            if failure_of(app) is not None:
                # For a moment more, so that who asks for its health hears the reason.
                stop.wait(SAY_WHY_S)
                break
            done: threading.Event | None = getattr(app.state, "done", None)
            if done is not None and done.is_set():
                stop.wait(SAY_WHY_S)  # for the answer that said so
                stop.set()
                break
            if server.started and address:
                # Not before: who reads this connects at once, and would be refused.
                print(f"service: {address}", file=sys.stderr, flush=True)
                address = ""
        ended_by_itself = not thread.is_alive() and not stop.is_set()
        app.state.closing.set()
        server.end()
        thread.join()
    failure = failure_of(app)
    if failure is not None:
        trace = "".join(traceback.format_exception(failure)).rstrip()
        print(f"{trace}\nlyewatch: the service ends: {cause_words(failure)}", file=sys.stderr, flush=True)
        return 1
    return 1 if ended_by_itself or not server.started else 0


def failure_of(app: FastAPI) -> BaseException | None:
    """What a part of the application died of; None while all live."""
    failure: BaseException | None = getattr(app.state, "failure", None)
    return failure


def cause_words(failure: BaseException) -> str:
    """An exception in one line."""
    return f"{type(failure).__name__}: {failure}" if not isinstance(failure, LyewatchError) else str(failure)


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    if sys.platform != "win32":
        # On Windows this option would let two services share the port.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as exc:
        listener.close()
        raise LyewatchError(
            f"can not listen there: {exc.strerror or exc}",
            place=f"service {host}:{port}",
            remedy="stop what listens there, or give another port with --port or service.port",
        ) from None
    return listener
