"""How the drums of a lab roast: times, losses, and how far one goes with the other.

    drums.py findings.csv          (from: evenctl export findings -o findings.csv)
"""

import csv
import sys

import pandas


def roasts(path):
    """One row a roast: its drum, and its findings in columns of their names."""
    findings = pandas.read_csv(path, keep_default_na=False, na_values={"value": [""]})
    of_roasts = findings[findings["roast"] != ""]
    return of_roasts.pivot_table(index=["station", "roast"], columns="finding", values="value").reset_index()


def drums(table):
    """One row a drum, in the order of their names."""
    for station, of_drum in table.groupby("station"):
        both = of_drum[["total_time", "loss_in_mass"]].dropna()
        together = both["total_time"].corr(both["loss_in_mass"]) if len(both) > 2 else float("nan")
        yield [station, len(of_drum)] + [
            "" if pandas.isna(x) else f"{x:.6g}"
            for x in (of_drum["total_time"].mean(), of_drum["total_time"].std(), both["loss_in_mass"].mean(), together)
        ]


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(["station", "roasts", "mean_time_s", "sd_time_s", "mean_loss_percent", "correlation"])
    out.writerows(drums(roasts(sys.argv[1])))
