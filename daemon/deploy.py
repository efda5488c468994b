"""Texts for those who run the daemon for years: a systemd unit and a Containerfile, made from the configuration."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from daemon.config.config import Config
from daemon.config.sources import ModbusTable, SerialTable
from daemon.errors import AlreadyRunning, ConfigError

STATE = Path("/var/lib/ductwarden")

_UNIT = """\
# Save as /etc/systemd/system/ductwarden.service, then:
#   sudo useradd --system --home-dir {state} --shell /usr/sbin/nologin {user}
#   sudo systemctl daemon-reload
#   sudo systemctl enable --now ductwarden
# Look at it with: systemctl status ductwarden; journalctl -u ductwarden
{notes}
[Unit]
Description=ductwarden watches the dust collector ({shop})
Wants=network-online.target
After=network-online.target time-sync.target
# Never give up: an SD card that fails today may be read again tomorrow.
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={program} run {config} --log-format text
# The loop tells every half minute that it turns; a daemon that hangs is started anew.
WatchdogSec=60s
# A large store takes its time to be checked and migrated, and a clock may have to be waited for.
TimeoutStartSec=15min
TimeoutStopSec=30s
Restart=on-failure
RestartSec=5s
# {config_exit}: the configuration is wrong; {running_exit}: another daemon owns the store. Neither heals by trying again.
RestartPreventExitStatus={config_exit} {running_exit}

User={user}
{groups}StateDirectory=ductwarden
StateDirectoryMode=0750
WorkingDirectory={state}
UMask=0027
{paths}
# What it does not need it may not have.
NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
ProtectSystem=strict
ProtectHome={home}
PrivateTmp=yes
{devices}
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectProc=invisible
ProcSubset=pid
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
LockPersonality=yes
MemoryDenyWriteExecute=yes
RemoveIPC=yes
KeyringMode=private
SystemCallArchitectures=native
# adjtimex is only read: does a time service keep the clock?
SystemCallFilter=@system-service adjtimex
SystemCallErrorNumber=EPERM
MemoryMax=400M
TasksMax=64

[Install]
WantedBy=multi-user.target
"""

_CONTAINERFILE = """\
# Build in the folder of the program, run with the folder of {config_name} as /shop:
#   podman build -t ductwarden -f Containerfile .
#   podman run -d --name ductwarden --restart on-failure {run_options}\\
#     -v /path/to/shop:/shop -p 127.0.0.1:{port}:{port} ductwarden
# In a container the dashboard must listen on every address, [dashboard] host = "0.0.0.0", with a password_file; who may
# reach it is decided by -p above. Keep [store] file in /shop/data.
{notes}FROM python:3.11-slim
COPY pyproject.toml constraints.txt README.md LICENSE /opt/ductwarden/
COPY analysis /opt/ductwarden/analysis
COPY daemon /opt/ductwarden/daemon
COPY dashboard /opt/ductwarden/dashboard
RUN useradd --system --create-home --home-dir /shop {groups}ductwarden \\
 && python -m venv /opt/venv \\
 && /opt/venv/bin/pip install --no-cache-dir -c /opt/ductwarden/constraints.txt /opt/ductwarden
USER ductwarden
WORKDIR /shop
VOLUME /shop
EXPOSE {port}
HEALTHCHECK --interval=1m --timeout=10s --start-period=2m CMD ["/opt/venv/bin/python", "-c", \\
  "import urllib.request; urllib.request.urlopen('http://127.0.0.1:{port}/healthz', timeout=8)"]
STOPSIGNAL SIGTERM
ENTRYPOINT ["/opt/venv/bin/ductwarden"]
CMD ["run", "/shop/{config_name}", "--log-format", "json"]
"""


def unit(config: Config, program: Path, user: str = "ductwarden") -> str:
    """A systemd unit: own user, state folder, hardening, readiness and watchdog, restart after failure."""
    path = config.path.absolute()
    folder = config.at(config.file.store.file).absolute().parent
    inside = folder == STATE or STATE in folder.parents
    notes = list(_notes(path, folder, inside))
    serial = _has_serial(config)
    homes = [p for p in (path, folder, program) if Path("/home") in p.parents or Path("/root") in p.parents]
    return _UNIT.format(
        user=user, state=STATE, shop=config.file.shop.name.replace("%", "%%"), program=_word(program), config=_word(path),
        notes="".join(f"# NOTE: {note}\n" for note in notes),
        groups="# The group that owns serial ports.\nSupplementaryGroups=dialout\n" if serial else "",
        paths="" if inside else f"ReadWritePaths={_word(folder)}\n",
        home="read-only" if homes else "yes",
        devices=(
            "DevicePolicy=closed\nDeviceAllow=char-ttyUSB rw\nDeviceAllow=char-ttyACM rw\nDeviceAllow=char-ttyS rw\n"
            "DeviceAllow=char-ttyAMA rw" if serial else "PrivateDevices=yes"
        ),
        config_exit=ConfigError.exit_code, running_exit=AlreadyRunning.exit_code,
    )


def _notes(path: Path, folder: Path, inside: bool) -> Iterator[str]:
    if not inside:
        yield f"the store lies in {folder}; the user must be able to write there. Usual is {STATE}: [store] file"
    if Path("/home") in path.parents:
        yield f"{path} lies in a home folder; /etc/ductwarden is the usual place, readable by the user above"


def containerfile(config: Config) -> str:
    """A Containerfile that installs the program and runs it on a mounted folder."""
    serial = _has_serial(config)
    return _CONTAINERFILE.format(
        config_name=config.path.name, port=config.file.dashboard.port or 8765,
        run_options="--device /dev/serial/by-id/... --group-add dialout " if serial else "",
        groups="--groups dialout " if serial else "",
        notes="" if config.file.dashboard.host == "0.0.0.0" else
        f'# NOTE: [dashboard] host is "{config.file.dashboard.host}": nobody outside of the container will see the pages.\n',
    )


def _has_serial(config: Config) -> bool:
    return any(isinstance(source, SerialTable | ModbusTable) for source in config.file.source)


def _word(path: Path) -> str:
    """A path as one word of a unit file (systemd.syntax(7)): quoted where it must be, specifiers escaped."""
    text = str(path).replace("%", "%%")
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"' if any(c in text for c in " \t\"'\\") else text
