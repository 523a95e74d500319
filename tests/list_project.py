"""A project of lists of hits, played by the physical simulator of demo/, one microphone on each striker."""

from pathlib import Path

import pandas as pd
import yaml

from demo import tune as tunes
from pipeline import __main__ as stages
from pipeline import settings, tables, words


class Project:
    """A folder with a configuration, its song and its lists of hits."""

    def __init__(self, folder: Path, machine, tune=None, **keys):
        self.folder, self.rows = folder, []
        barrel = {"bars_per_turn": machine.barrel.bars_per_turn, "diameter_mm": machine.barrel.diameter_mm}
        arrangements = keys.pop("arrangements", {"song": "song.mid"})
        self.config = {
            "arrangements": arrangements,
            "arrangement": next(iter(arrangements)),
            "recordings": "recordings.csv",
            "results": "results",
            "machine": {
                "barrel": barrel,
                "shafts": {one.name: {"turns": one.turns, "drive": one.drive} for one in machine.shafts},
                "flywheel": {"inertia_kg_m2": machine.flywheel.inertia_kg_m2, "diameter_mm": 600},
                "strikers": [{"name": one.name, "notes": list(one.notes)} for one in machine.strikers],
            },
        } | keys
        if tune is not None:
            tunes.write_midi(tune, folder / "song.mid")

    def record(self, name: str, take, **columns) -> None:
        """List what was struck, clicks too."""
        strikes, extras = take.strikes, take.extras
        struck = ~strikes.missed
        rows = list(zip(strikes.strike_s[struck], strikes.striker[struck], strict=True))
        rows += [*zip(extras.strike_s, extras.striker, strict=True), *((at, "click") for at in take.click_s)]
        listed = pd.DataFrame(sorted(rows), columns=["hit_s", "striker"])
        listed.round({"hit_s": 6}).to_csv(self.folder / f"{name}.csv", index=False)
        self.rows.append({"recording": name, "file": f"{name}.csv", "build_day": "2031-05-03"} | columns)

    def write(self) -> str:
        """Write the configuration and the list of recordings; return the path of the configuration."""
        (self.folder / "config.yaml").write_text(yaml.safe_dump(self.config, sort_keys=False), "utf-8")
        pd.DataFrame(self.rows).fillna("").to_csv(self.folder / "recordings.csv", index=False)
        return str(self.folder / "config.yaml")

    def explain(self) -> str:
        """Run every stage as the workflow calls them, and return what the terminal would say."""
        config = self.write()
        given = settings.load(config)
        jobs = [["notes", one.name] for one in given.arrangements]
        jobs += [[stage, one.recording] for stage in ("hits", "aligned") for one in given.recordings]
        jobs += [["timing", group.id] for group in given.groups()]
        for stage, *of in [*jobs, ["tables"], ["worklist"], ["trend"], ["report"]]:
            assert stages.main([stage, config, *of]) == 0
        self.results = given.results
        return words.with_plain_spaces((Path(self.results) / "report" / "finding.txt").read_text("utf-8"))

    def table(self, name: str) -> pd.DataFrame:
        return tables.read(tables.path(self.results, name), name).to_pandas()
