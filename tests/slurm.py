"""Start a Slurm of one node on the loopback device, without systemd, database or accounting, and stop it again."""

import os
import shutil
import socket
import subprocess
import time
from contextlib import contextmanager
from pathlib import Path

PROGRAMS = ("munged", "slurmctld", "slurmd", "sbatch", "squeue")

# Slurm 22.05, `man slurm.conf`. Everything bound to 127.0.0.1; jobs are plain processes of this machine.
CONFIGURATION = """\
ClusterName=workshop
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={controller}
SlurmdPort={node}
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
CommunicationParameters=NoInAddrAny,NoCtldInAddrAny
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
ReturnToService=2
SchedulerParameters=sched_interval=1,batch_sched_delay=0
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
MpiDefault=none
NodeName={host} NodeAddr=127.0.0.1 CPUs={cpus} RealMemory=4000 State=UNKNOWN
PartitionName=bench Nodes={host} Default=YES MaxTime=INFINITE State=UP
"""


def lacks() -> str:
    """Return what this machine lacks for it, '' for nothing."""
    missing = [program for program in PROGRAMS if not shutil.which(program, path=f"{os.environ['PATH']}:/usr/sbin")]
    if missing:
        return f"{', '.join(missing)} (Debian: slurmctld slurmd munge slurm-client)"
    return "" if os.geteuid() == 0 else "root, who may start a job as another user"


@contextmanager
def running(folder: Path):
    """Yield the environment in which the client programs find it.

    The node's own jobs look for the configuration at /etc/slurm/slurm.conf besides SLURM_CONF: a link is put there
    unless something is there already.
    """
    (folder / "state").mkdir()
    (folder / "spool").mkdir()
    folder.chmod(0o755)
    ports = free_ports(2)
    host = socket.gethostname().partition(".")[0]
    written = CONFIGURATION.format(
        host=host, controller=ports[0], node=ports[1], folder=folder, cpus=os.cpu_count() or 1
    )
    configuration, link = folder / "slurm.conf", Path("/etc/slurm/slurm.conf")
    configuration.write_text(written)
    (folder / "munge.key").write_bytes(os.urandom(128))
    (folder / "munge.key").chmod(0o400)
    environment = os.environ | {"SLURM_CONF": str(configuration), "PATH": f"{os.environ['PATH']}:/usr/sbin"}
    links = not link.exists()
    if links:
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(configuration)
    started = []
    try:
        files = {"key-file": "key", "socket": "socket", "pid-file": "pid", "log-file": "log", "seed-file": "seed"}
        own = [f"--{option}={folder}/munge.{ending}" for option, ending in files.items()]
        for words in (["munged", "-F", "--force", *own], ["slurmctld", "-D"], ["slurmd", "-D", "-N", host]):
            with open(folder / f"{words[0]}.out", "wb") as said:
                started.append(subprocess.Popen(words, env=environment, stdout=said, stderr=said))
            time.sleep(1)
        _wait_until_idle(environment, folder)
        yield environment
    finally:
        for process in reversed(started):
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
        if links:
            link.unlink()


def free_ports(n: int) -> list[int]:
    sockets = [socket.socket() for _ in range(n)]
    for one in sockets:
        one.bind(("127.0.0.1", 0))
    ports = [one.getsockname()[1] for one in sockets]
    for one in sockets:
        one.close()
    return ports


def _wait_until_idle(environment, folder: Path) -> None:
    for _ in range(60):
        said = subprocess.run(["sinfo", "-h", "-o", "%T"], env=environment, capture_output=True, text=True, check=False)
        if said.stdout.strip() == "idle":
            return
        time.sleep(1)
    logs = "\n".join(path.read_text(errors="replace")[-800:] for path in folder.glob("*.log"))
    raise RuntimeError(f"the node is not idle after a minute: {said.stdout}{said.stderr}\n{logs}")
