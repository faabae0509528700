"""docker-compose.yml and Dockerfile without an engine: they parse, and what they name is there.

Source of the keys: the Compose specification.
"""

import re
import sys
from pathlib import Path

import yaml

ROOT = Path(__file__).resolve().parent.parent
COMPOSE = ROOT / "docker-compose.yml"
problems = []


def must_exist(path, named_by):
    if not list(ROOT.glob(str(path))):
        problems.append(f"{named_by} names {path}, which is not there")


def check_service(name, service, compose):
    if build := service.get("build"):
        must_exist(Path(build["context"]) / build.get("dockerfile", "Dockerfile"), name)
    elif "image" not in service:
        problems.append(f"{name} has neither image nor build")
    for volume in service.get("volumes", []):
        source = volume.split(":")[0]
        if source.startswith((".", "/")):
            must_exist(source, name)
        elif source not in compose["volumes"]:
            problems.append(f"{name} uses the volume {source}, which is not declared")
    for other, wanted in service.get("depends_on", {}).items():
        if other not in compose["services"]:
            problems.append(f"{name} depends on {other}, which is not a service")
        elif wanted["condition"] == "service_healthy" and "healthcheck" not in compose["services"][other]:
            problems.append(f"{name} waits for the health of {other}, which has no healthcheck")
    for words in (service.get("command", []), service.get("healthcheck", {}).get("test", [])):
        if not all(isinstance(word, str) for word in words):
            problems.append(f"{name} has a command with a word that is no text")
    for variable, value in service.get("environment", {}).items():
        if re.search("PASSWORD|SECRET|TOKEN|URL", variable) and "${" not in str(value):
            problems.append(f"{name} has {variable} written out")


def check_compose():
    text = COMPOSE.read_text()
    compose = yaml.safe_load(text)
    for name, service in compose["services"].items():
        check_service(name, service, compose)
    example = (ROOT / ".env.example").read_text()
    for variable in set(re.findall(r"\$\{(\w+)", text)):
        if not re.search(rf"^#? ?{variable}=", example, re.MULTILINE):
            problems.append(f".env.example does not explain {variable}")


def check_dockerfile():
    lines = (ROOT / "Dockerfile").read_text().replace("\\\n", " ").splitlines()
    for line in lines:
        words = [word for word in line.split() if not word.startswith("--")]
        if words[:1] == ["COPY"] and "--from=" not in line:
            for source in words[1:-1]:
                must_exist(source, "Dockerfile")
    users = [line.split()[1] for line in lines if line.startswith("USER ")]
    if not users or users[-1] in ("root", "0"):
        problems.append("the image runs as root")


check_compose()
check_dockerfile()
print("\n".join(problems) or "all that is named is there")
sys.exit(bool(problems))
