"""Writes which packages this environment has, with versions and licences, as CycloneDX 1.6 JSON; fails where a pin is not met."""

import json
import sys
from importlib.metadata import Distribution, distributions
from pathlib import Path


def component(one: Distribution) -> dict[str, object]:
    """One package as the standard names it."""
    name, told = one.metadata["Name"], one.metadata
    listed = [text.rpartition(" :: ")[2] for text in told.get_all("Classifier", []) if text.startswith("License ::")]
    # Some packages put the whole text where its name belongs.
    licence = (
        told.get("License-Expression") or ", ".join(listed) or (told.get("License") or "not stated").splitlines()[0]
    )
    purl = f"pkg:pypi/{name.lower().replace('_', '-')}@{one.version}"
    return {
        "type": "library",
        "name": name,
        "version": one.version,
        "purl": purl,
        "licenses": [{"license": {"name": licence[:120]}}],
    }


def main(to: Path, pins: Path) -> None:
    """Write it. Exits with what does not hold."""
    here = {one.metadata["Name"].lower().replace("_", "-").replace(".", "-"): one for one in distributions()}
    wanted = dict(line.lower().replace("_", "-").split("==") for line in pins.read_text("utf-8").split())
    other = [
        f"{name} {here[name].version}, pinned {wanted[name]}"
        for name in here.keys() & wanted.keys()
        if here[name].version != wanted[name]
    ]
    loose = sorted(here.keys() - wanted.keys() - {"pip", "setuptools", "wheel", "tallow"})
    if other:
        sys.exit(f"installed otherwise than pinned: {other}")
    told = {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "components": [component(here[name]) for name in sorted(here)],
    }
    to.write_text(json.dumps(told, indent=1) + "\n", "utf-8")
    print(f"bill of materials: {len(here)} packages; not pinned: {', '.join(loose) or 'none'}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
