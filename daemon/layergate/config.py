"""Configuration of the daemon: one TOML file, checked whole, every mistake with its line.

Knows where things lie (systemd's directories, else XDG's) and nothing of what is done with them.
"""

import os
import re
import socket
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from layergate.tomlfile import TomlFileError, load_toml

MIB = 1024 * 1024
NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?")
"""Names of printers and gateways stand in topics, file names and addresses, so they keep to what all of those take."""

RESERVED_NAMES = frozenset({"availability"})  # BASE/GATEWAY/availability would be taken for a printer


def _check_name(value: str) -> str:
    if not NAME.fullmatch(value) or value in RESERVED_NAMES:
        raise ValueError(
            "a name has 1 to 32 of a-z, 0-9 and '-', does not start or end with '-', is not 'availability'"
        )
    return value


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SpoolConfig(_Strict):
    """``[spool]``: where accepted jobs are kept."""

    directory: Path | None = None
    """Default: ``spool`` in the state directory."""
    largest_job_mib: Annotated[float, Field(gt=0)] = 1024
    """A job that is larger, after decompression, is refused."""
    keep_free_mib: Annotated[float, Field(ge=0)] = 256
    """Jobs are refused when less than this would stay free on the spool's file system."""
    keep_finished_days: Annotated[float, Field(ge=0)] = 30
    """Files of jobs that ended longer ago are deleted; their record stays in the journal. 0: kept for ever."""


class PreflightConfig(_Strict):
    """``[preflight]``: limits of the worker that checks jobs, and which rules of others may run."""

    seconds: Annotated[float, Field(gt=0)] = 120
    """Time for a small job; each MiB of the job adds ``seconds_per_mib``."""
    seconds_per_mib: Annotated[float, Field(ge=0)] = 5
    memory_mib: Annotated[float, Field(ge=256)] = 1536
    """Address space for a small job; each MiB of the job adds ``memory_per_mib``."""
    memory_per_mib: Annotated[float, Field(ge=0)] = 8
    rules_plugins: tuple[str, ...] = ()
    """Distributions whose rules run besides the built-in ones."""
    command: tuple[str, ...] | None = None
    """Another worker command, for tests. Default: this interpreter, ``-m layergate.preflight.worker``."""


class ControlConfig(_Strict):
    """``[control]``: the Unix socket of the command line."""

    socket: Path | None = None
    """Default: ``control.sock`` in the runtime directory."""
    submit_from: tuple[Path, ...] = ()
    """Folders from which a client may name a job by its path. Empty: none, jobs are uploaded."""


class WebConfig(_Strict):
    """``[web]``: the same interface over TCP; off unless ``listen`` is set, and read-only unless ``commands`` is."""

    listen: str | None = None
    """``ADDRESS:PORT``. There is no login: whoever reaches the port may read, and command if that is switched on."""
    commands: bool = False
    names: tuple[str, ...] = ()
    """Host names by which it may be asked for, besides ``localhost`` and addresses: guards against foreign pages."""

    @field_validator("listen")
    @classmethod
    def _address(cls, value: str | None) -> str | None:
        if value is not None:
            host_and_port(value)
        return value


class MqttConfig(_Strict):
    """``[mqtt]``: a broker to tell. Leave the table out for none."""

    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    base: str = "layergate"
    """First level or levels of every topic."""
    gateway: str | None = None
    """Name of this gateway in topics. Default: the host name."""
    username: str | None = None
    password_file: Path | None = None
    """A file that holds the password, so that none stands here."""
    tls: bool = False
    ca_file: Path | None = None
    """Default: the system's certificate authorities."""
    certificate_file: Path | None = None
    key_file: Path | None = None
    consumer_topic: str | None = None
    """A topic on which consumers say that they have started (home automation does); then all is told again."""
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    outbox: Annotated[int, Field(ge=1)] = 1000
    """Most alerts kept while the broker can't be reached; then the oldest are given up, and their number is told."""

    @field_validator("base")
    @classmethod
    def _topic(cls, value: str) -> str:
        # MQTT 5.0 section 4.7.1: '+' and '#' are wildcards, not for names; empty levels are legal but a trap.
        if not re.fullmatch(r"[^+#/\x00$][^+#/\x00]*(?:/[^+#/\x00]+)*", value):
            raise ValueError("topic levels split by '/', none empty, without '+' and '#', not starting with '$'")
        return value

    @field_validator("gateway")
    @classmethod
    def _gateway_name(cls, value: str | None) -> str | None:
        return value if value is None else _check_name(value)

    @model_validator(mode="after")
    def _whole(self) -> "MqttConfig":
        if (self.ca_file or self.certificate_file or self.key_file) and not self.tls:
            raise ValueError("certificates are given but tls is false: set tls = true")
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file go together")
        if self.password_file and not self.username:
            raise ValueError("password_file without username")
        return self

    def gateway_name(self) -> str:
        """Give the gateway's name, made from the host name where none is configured."""
        if self.gateway:
            return self.gateway
        name = re.sub(r"[^a-z0-9-]+", "-", socket.gethostname().split(".")[0].lower())[:32].strip("-")
        return name if NAME.fullmatch(name) and name not in RESERVED_NAMES else "gateway"


class HookConfig(_Strict):
    """``[hook]``: a command that gets every alert as JSON on standard input. Run as is, never through a shell."""

    command: tuple[str, ...] = Field(min_length=1)
    timeout_s: Annotated[float, Field(gt=0)] = 30
    alerts: tuple[str, ...] = ()
    """Names of the alerts that it gets. Empty: all."""


class WatchConfig(_Strict):
    """``[printers.NAME.watch]``: when a print is told to be off its plan."""

    stall_s: Annotated[float, Field(gt=0)] = 180
    """No line acknowledged for this long, without heating and without a sign of a long command. A long dwell or one
    slow move is shorter (common practice)."""
    busy_stall_s: Annotated[float, Field(gt=0)] = 1200
    """The same while the printer says that it is busy or heating: probing a large bed takes some minutes."""
    slow_factor: Annotated[float, Field(gt=1)] = 3
    """A layer that takes this many times its plan, and ``slow_s`` more, is told."""
    slow_s: Annotated[float, Field(gt=0)] = 300
    heat_tolerance_c: Annotated[float, Field(gt=0)] = 15
    """Hot end off its target by more than this for ``heat_s`` while a layer is laid."""
    heat_s: Annotated[float, Field(gt=0)] = 45
    position_tolerance_mm: Annotated[float, Field(gt=0)] = 0.1
    """With ``position_witness``: a reported position may differ so much from the plan. Printers round to 0.01 mm."""


class PrinterConfig(_Strict):
    """``[printers.NAME]``: one printer and how it is reached."""

    device: str = Field(min_length=1)
    """A serial device (best below /dev/serial/by-id or by your own udev link) or ``socket://HOST:PORT``."""
    baud: Annotated[int, Field(ge=1200)] = 115200
    description: Path | None = None
    """The printer description. Without one, rules that need a limit of the machine do not apply."""
    mode: Literal["enforce", "observe"] = "enforce"
    """``observe``: judge and tell, stop nothing."""
    start: Literal["confirmed", "automatic"] = "confirmed"
    """``automatic``: jobs start without anyone's word that the bed is clear. A print into the last part breaks
    machines and can start fires: only for a printer that clears its bed by itself."""
    drop_folder: Path | None = None
    identity: str | None = None
    """Words that must stand in the printer's own answer about itself, so that a swapped cable is noticed."""
    ring_bytes: Annotated[int, Field(ge=32)] | None = None
    """Receive ring of the controller. Default: ping-pong, always safe."""
    reset_on_open: Literal["keep", "pulse"] = "keep"
    """Whether to restart the controller when its port is opened (many boards do so by themselves)."""
    position_witness: bool = False
    """Ask for the position (M114) at each layer and hold it against the plan: it sees what the wire's checksums can't. Only
    for a printer that answers M114 without stopping."""
    paused_limit_s: Annotated[float, Field(ge=1, le=86400)] = 3600
    """A job that is paused for so long is ended and its heaters are switched off, for a hot printer without anybody near is
    a fire hazard. Told 10 min before, at most halfway; it can't be resumed afterwards."""
    link_socket: Path | None = None
    """Default: ``link-NAME.sock`` in the runtime directory."""
    watch: WatchConfig = WatchConfig()


class Config(_Strict):
    """The whole file."""

    spool: SpoolConfig = SpoolConfig()
    preflight: PreflightConfig = PreflightConfig()
    control: ControlConfig = ControlConfig()
    web: WebConfig = WebConfig()
    mqtt: MqttConfig | None = None
    hook: HookConfig | None = None
    printers: Annotated[dict[str, PrinterConfig], Field(min_length=1)]

    @field_validator("printers")
    @classmethod
    def _names(cls, value: dict[str, PrinterConfig]) -> dict[str, PrinterConfig]:
        for name in value:
            if not NAME.fullmatch(name) or name in RESERVED_NAMES:
                raise ValueError(f"printer name {name!r}: 1 to 32 of a-z, 0-9 and '-', not '-' at an end")
        return value

    @model_validator(mode="after")
    def _nothing_shared(self) -> "Config":
        for key in ("device", "drop_folder", "link_socket"):
            seen: dict[str, str] = {}
            for name, printer in self.printers.items():
                value = getattr(printer, key)
                if value is None:
                    continue
                if str(value) in seen:
                    raise ValueError(f"printers {seen[str(value)]!r} and {name!r} have the same {key} {str(value)!r}")
                seen[str(value)] = name
        return self

    def spool_directory(self) -> Path:
        return self.spool.directory or state_directory() / "spool"

    def control_socket(self) -> Path:
        return self.control.socket or runtime_directory() / "control.sock"

    def link_socket(self, printer: str) -> Path:
        return self.printers[printer].link_socket or runtime_directory() / f"link-{printer}.sock"


def load_config(path: Path) -> Config:
    """Read the daemon's configuration; relative paths in it count from the file's own folder.

    Raises:
        TomlFileError: with every mistake and its line.
    """
    config = load_toml(path, Config)
    return _resolved(config, path.resolve().parent)


def _resolved(config: Config, base: Path) -> Config:
    """Make relative paths absolute; a daemon's working directory is nothing to count from."""

    def fix(model: BaseModel) -> BaseModel:
        changes: dict[str, object] = {}
        for key in type(model).model_fields:
            value = getattr(model, key)
            if isinstance(value, Path):
                changes[key] = base / value.expanduser()
            elif isinstance(value, BaseModel):
                changes[key] = fix(value)
            elif isinstance(value, dict):
                changes[key] = {name: fix(item) for name, item in value.items()}
            elif isinstance(value, tuple) and value and isinstance(value[0], Path):
                changes[key] = tuple(base / item.expanduser() for item in value)
        return model.model_copy(update=changes)

    fixed = fix(config)
    assert isinstance(fixed, Config)
    return fixed


def host_and_port(text: str) -> tuple[str, int]:
    """Split ``ADDRESS:PORT``; an IPv6 address stands in brackets.

    Raises:
        ValueError: it is not of that form.
    """
    host, separator, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not separator or not host or not port.isdecimal() or not 0 <= int(port) <= 65535:
        raise ValueError("must be ADDRESS:PORT, such as 127.0.0.1:8080 or [::1]:8080")
    return host, int(port)


def _directory(systemd: str, xdg: str, fallback: str) -> Path:
    if given := os.environ.get(systemd):
        return Path(given.split(":")[0])
    if given := os.environ.get(xdg):
        return Path(given) / "layergate"
    return Path.home() / fallback / "layergate"


def state_directory() -> Path:
    """Where what must survive a restart of the machine is kept."""
    return _directory("STATE_DIRECTORY", "XDG_STATE_HOME", ".local/state")


def runtime_directory() -> Path:
    """Where sockets are kept."""
    return _directory("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR", ".local/state")


def default_config_file() -> Path:
    """Where the configuration is looked for when nobody names it: systemd's folder, /etc/layergate, XDG's folder."""
    if given := os.environ.get("CONFIGURATION_DIRECTORY"):
        return Path(given.split(":")[0]) / "config.toml"
    system = Path("/etc/layergate/config.toml")
    if system.exists():
        return system
    return _directory("", "XDG_CONFIG_HOME", ".config") / "config.toml"


def default_control_socket() -> Path:
    """Where a client looks for the daemon: the system's own first, then the user's."""
    if given := os.environ.get("LAYERGATE_SOCKET"):
        return Path(given)
    system = Path("/run/layergate/control.sock")
    return system if system.exists() else runtime_directory() / "control.sock"


__all__ = [
    "MIB",
    "Config",
    "ControlConfig",
    "HookConfig",
    "MqttConfig",
    "PreflightConfig",
    "PrinterConfig",
    "SpoolConfig",
    "TomlFileError",
    "WatchConfig",
    "WebConfig",
    "default_config_file",
    "default_control_socket",
    "host_and_port",
    "load_config",
    "runtime_directory",
    "state_directory",
]
