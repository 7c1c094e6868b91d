"""Make the clone's own virtual environment, once, with nothing but Python and pip.

Everything is installed from a hash-pinned list, then the project itself. A stamp holds the digest
of what was installed, so that the next run starts at once. Standard library only, and written so
that an older Python can read as far as the sentence that asks for a newer one.
"""

import hashlib
import os
import shutil
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
RUNTIME = ROOT / "docker" / "requirements.txt"
TESTS = ROOT / "docker" / "requirements-dev.txt"
OLDEST = (3, 11)


def say(text):
    """Tell the person what takes the time."""
    print("[set-up] " + text, file=sys.stderr, flush=True)


def running_python():
    """The version that runs this, for people."""
    return "{}.{}".format(*sys.version_info[:2])


def need_new_python():
    """Go on with a newer Python of this machine, or stop with a sentence that says what to do."""
    if sys.version_info[:2] >= OLDEST:
        return
    for name in ("python3.13", "python3.12", "python3.11"):
        found = shutil.which(name)
        if found:
            os.execv(found, [found, *sys.argv])
    sys.exit(
        f"bagrelay needs Python 3.11 or newer; this is {running_python()}."
        " Install one and run the same command with it."
    )


def venv_python():
    """The interpreter inside the environment."""
    return VENV / "bin" / "python"


def run_pip(*arguments):
    """Run pip for the environment; the machine's own pip where the environment has none."""
    inside = subprocess.run(
        [str(venv_python()), "-m", "pip", "--version"], check=False, capture_output=True
    )
    if inside.returncode == 0:
        command = [str(venv_python()), "-m", "pip"]
    else:
        command = [sys.executable, "-m", "pip", "--python", str(venv_python())]
    command += [arguments[0], "-qq", "--disable-pip-version-check", *arguments[1:]]
    done = subprocess.run(
        command, check=False, cwd=str(ROOT), env=dict(os.environ, PIP_ROOT_USER_ACTION="ignore")
    )
    if done.returncode != 0:
        sys.exit(
            "[set-up] pip could not install; its words stand above. Mend that (network, proxy,"
            " disk) and run the same command again: it goes on where it stopped."
        )


def make_venv():
    """Make the environment, or make it anew where its Python is gone or too old."""
    if venv_python().exists():
        probe = f"import sys; sys.exit(sys.version_info[:2] < {OLDEST})"
        if (
            subprocess.run(
                [str(venv_python()), "-c", probe], check=False, capture_output=True
            ).returncode
            == 0
        ):
            return
    if VENV.exists() or VENV.is_symlink():
        say("the old .venv does not work any more; making it anew")
        shutil.rmtree(str(VENV), ignore_errors=True)
    say(f"making .venv with Python {running_python()}")
    full = [sys.executable, "-m", "venv", str(VENV)]
    if subprocess.run(full, check=False, capture_output=True).returncode == 0:
        return
    shutil.rmtree(str(VENV), ignore_errors=True)
    bare = subprocess.run([*full, "--without-pip"], check=False, capture_output=True, text=True)
    if bare.returncode != 0:
        sys.exit("[set-up] no virtual environment could be made:\n" + bare.stdout + bare.stderr)


def digest_of(requirements):
    """What must be the same for the environment to be as good as new."""
    state = hashlib.sha256(str(ROOT).encode())
    for file in (requirements, ROOT / "pyproject.toml"):
        state.update(file.read_bytes())
    state.update(str(venv_python().resolve()).encode())
    return state.hexdigest()


def ready(requirements):
    """Return the environment's bin folder with `requirements` and the project in it."""
    need_new_python()
    if os.name != "posix":
        sys.exit("bagrelay runs on Linux and macOS; on Windows use its container image or WSL.")
    stamp = VENV / ("." + requirements.stem + ".stamp")
    if stamp.exists() and venv_python().exists() and stamp.read_text() == digest_of(requirements):
        return VENV / "bin"
    with alone():
        make_venv()
        if not (stamp.exists() and stamp.read_text() == digest_of(requirements)):
            say(f"installing {requirements.relative_to(ROOT)} (once; a minute or two)")
            run_pip("install", "--require-hashes", "--no-deps", "-r", str(requirements))
            run_pip("install", "--no-deps", "--no-build-isolation", "-e", str(ROOT))
            stamp.write_text(digest_of(requirements))
            say("done")
    return VENV / "bin"


def node_parts():
    """Install what a few tests take from npm; without npm those tests say so and are skipped."""
    npm = shutil.which("npm")
    for wanted in sorted((ROOT / "tests").glob("*/**/package.json")):
        if "node_modules" in wanted.parts:
            continue
        stamp = wanted.with_name("node_modules") / ".stamp"
        digest = hashlib.sha256(wanted.read_bytes()).hexdigest()
        if stamp.exists() and stamp.read_text() == digest:
            continue
        if npm is None:
            say(f"no npm here: tests that need {wanted.parent.name} will be skipped")
            continue
        part = wanted.parent.relative_to(ROOT)
        command = [npm, "install", "--no-audit", "--no-fund", "--no-package-lock", "--silent"]
        done = subprocess.run(
            command, check=False, cwd=str(wanted.parent), stdout=subprocess.DEVNULL
        )
        if done.returncode == 0:
            stamp.write_text(digest)
        else:
            say(f"npm could not install {part}: its tests will be skipped")


@contextmanager
def alone():
    """Only one process sets up at a time; another waits and then finds the work done."""
    import fcntl

    with (ROOT / ".venv.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def start(program, *arguments):
    """Become a program of the environment: signals and exit code are its own."""
    path = str(VENV / "bin" / program)
    os.execv(path, [path, *arguments])
