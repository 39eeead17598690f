"""A cluster of one host with SLURM, made for a test and taken away after it.

Configuration, spool, state and logs lie in one temporary folder, the ports are free ones, and
nothing of a SLURM that the machine may have is read or changed. It needs Linux.
"""

from __future__ import annotations

import contextlib
import getpass
import os
import secrets
import shlex
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

__all__ = ["PROGRAMS", "OneHost", "find_program"]

PROGRAMS = ("munged", "slurmctld", "slurmd", "sbatch", "srun", "squeue", "scancel", "sinfo")

# Daemons are often kept where only the administrator's shell looks.
_PATH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/sbin"])

# Batch jobs are begun at once, and stay in the list for five minutes after their end.
_CONFIGURATION = """\
ClusterName=test
SlurmctldHost={name}(127.0.0.1)
SlurmctldPort={ports[0]}
SlurmdPort={ports[1]}
SlurmUser={user}
SlurmdUser={user}
AuthType=auth/munge
CredType=cred/munge
AuthInfo=socket={folder}/munge/socket
MpiDefault=none
ProctrackType=proctrack/pgid
TaskPlugin=task/none
ReturnToService=2
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
SlurmdSpoolDir={folder}/spool
StateSaveLocation={folder}/state
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU_Memory
SchedulerType=sched/builtin
SchedulerParameters=batch_sched_delay=0,sched_min_interval=1
AccountingStorageType=accounting_storage/none
JobAcctGatherType=jobacct_gather/none
MinJobAge=300
KillWait=2
SlurmdParameters=config_overrides
NodeName={name} NodeAddr=127.0.0.1 CPUs={cpus} RealMemory={memory} State=UNKNOWN
PartitionName=test Nodes={name} Default=YES MaxTime=INFINITE State=UP
"""


def find_program(name: str) -> str | None:
    """Where a program is, or None."""
    return shutil.which(name, path=_PATH)


def _free_ports(count: int) -> list[int]:
    """Ports that nothing listens on now."""
    with contextlib.ExitStack() as stack:
        sockets = [stack.enter_context(socket.socket()) for _ in range(count)]
        for one in sockets:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in sockets]


class OneHost:
    """A context in which jobs can be given to SLURM on this host.

    Parameters
    ----------
    cpus, memory : int
        What the node says it has; memory in MB.
    most_seconds : int
        The daemons end by themselves after this time, even if nobody stops them.

    Attributes
    ----------
    folder : Path
        Everything of this cluster.
    environment : dict of str to str
        Variables for a process that is to give jobs to it.
    """

    def __init__(self, *, cpus: int = 2, memory: int = 8000, most_seconds: int = 300) -> None:
        self.cpus = cpus
        self.memory = memory
        self.most_seconds = most_seconds
        # short, as the path of a socket may have no more than 107 characters
        self.folder = Path(tempfile.mkdtemp(prefix="slurm-"))
        self.environment = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("SLURM", "SBATCH", "SRUN", "SQUEUE", "SINFO"))
        }
        self.environment |= {
            "SLURM_CONF": str(self.folder / "slurm.conf"),
            "PATH": f"{self.folder / 'bin'}{os.pathsep}{_PATH}",
        }
        self._daemons: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> Self:
        try:
            self._write()
            self._start()
        except BaseException:
            self._stop()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop()

    def call(self, *command: str, seconds: float = 600) -> str:
        """Run a program as a user of the cluster, and give what it printed."""
        done = subprocess.run(
            command,
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=seconds,
        )
        return done.stdout.strip()

    def logs(self, characters: int = 2000) -> str:
        """The last lines of each daemon's log."""
        paths = sorted(self.folder.rglob("*.log"))
        return "\n".join(f"{p.name}:\n{p.read_text('utf-8')[-characters:]}" for p in paths)

    def processes(self) -> list[int]:
        """Processes of this cluster, daemons and jobs: all know where its configuration is."""
        mark = f"SLURM_CONF={self.environment['SLURM_CONF']}".encode()
        found = []
        for path in Path("/proc").glob("[0-9]*/environ"):
            # others' processes cannot be read, and some are gone by now
            with contextlib.suppress(OSError):
                if mark in path.read_bytes().split(b"\0"):
                    found.append(int(path.parent.name))
        return found

    def _write(self) -> None:
        # a socket that others cannot reach is refused by munged
        self.folder.chmod(0o755)
        for name in ("bin", "munge", "spool", "state"):
            (self.folder / name).mkdir()
            (self.folder / name).chmod(0o755)
        key = self.folder / "munge" / "key"
        key.touch(mode=0o600)
        key.write_bytes(secrets.token_bytes(128))
        (self.folder / "slurm.conf").write_text(
            _CONFIGURATION.format(
                name=socket.gethostname().partition(".")[0],
                user=getpass.getuser(),
                folder=self.folder,
                ports=_free_ports(2),
                cpus=self.cpus,
                memory=self.memory,
            ),
            encoding="utf-8",
        )
        # the plugin takes the variables of SLURM from the job, and a SLURM that is not in its
        # usual place would not be found from there
        srun = self.folder / "bin" / "srun"
        configuration = shlex.quote(self.environment["SLURM_CONF"])
        program = shlex.quote(find_program("srun") or "srun")
        srun.write_text(
            f'#!/bin/sh\nSLURM_CONF={configuration} exec {program} "$@"\n', encoding="utf-8"
        )
        srun.chmod(0o755)

    def _start(self) -> None:
        munge = self.folder / "munge"
        self._daemon(
            "munged", "--foreground", "--force", "--num-threads=2", "--group-update-time=-1",
            f"--key-file={munge / 'key'}", f"--socket={munge / 'socket'}",
            f"--pid-file={munge / 'pid'}", f"--seed-file={munge / 'seed'}",
            f"--log-file={munge / 'munged.log'}",
        )  # fmt: skip
        self._wait("munged", (munge / "socket").exists)
        self._daemon("slurmctld", "-D", "-c")
        self._daemon("slurmd", "-D", "-c")
        self._wait("slurmd", lambda: self.call("sinfo", "-h", "-o", "%T") == "idle")

    def _daemon(self, name: str, *arguments: str) -> None:
        program = find_program(name)
        if program is None:
            raise FileNotFoundError(f"{name} is not installed.")
        with open(self.folder / f"{name}.out.log", "wb") as out:
            limited = ["timeout", "--signal", "KILL", str(self.most_seconds), program, *arguments]
            self._daemons.append(
                subprocess.Popen(
                    limited,
                    env=self.environment,
                    cwd=self.folder,
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=subprocess.STDOUT,
                )
            )

    def _wait(self, name: str, ready: Callable[[], bool], seconds: float = 600) -> None:
        end = time.monotonic() + seconds
        while not ready():
            ended = [daemon for daemon in self._daemons if daemon.poll() is not None]
            if ended or time.monotonic() > end:
                raise RuntimeError(f"{name} did not start.\n{self.logs()}")
            time.sleep(0.1)

    def _stop(self) -> None:
        # jobs first, while there is someone to end them
        if len(self._daemons) == 3:
            with contextlib.suppress(OSError, subprocess.TimeoutExpired):
                self.call("scancel", "--user", getpass.getuser())
        for daemon in reversed(self._daemons):
            daemon.terminate()
        for daemon in self._daemons:
            with contextlib.suppress(subprocess.TimeoutExpired):
                daemon.wait(5)
        for process in self.processes():
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        for daemon in self._daemons:
            daemon.wait()
        shutil.rmtree(self.folder, ignore_errors=True)
