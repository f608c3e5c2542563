"""Agreement statistics against pingouin and SciPy (and R's psych and epiR where Rscript is there).

Usage: python outside_statistics.py PATH_TO_EXAMPLE_statistics
Needs pingouin and scipy. Every figure must agree to 1e-6 (relative); figures that pingouin rounds, to its digits.
Tables are random with a fixed seed: unequal numbers of pairs a subject, a bias, a slope.
"""

import json
import shutil
import subprocess
import sys
import tempfile

import numpy as np
import pandas as pd
import pingouin as pg
import scipy.stats as st

failures = 0


def check(name, ours, theirs, tolerance=1e-6):
    global failures
    good = abs(ours - theirs) <= tolerance * max(1.0, abs(theirs))
    failures += not good
    print(f"{'ok ' if good else 'BAD'} {name:40s} {ours:.10g} {theirs:.10g}")


def tables():
    random = np.random.default_rng(20)
    for subjects, least, most in [(17, 2, 2), (5, 3, 12), (40, 2, 5)]:
        rows = []
        for subject in range(subjects):
            own = random.normal(0.5, 1.0)
            for _ in range(random.integers(least, most + 1)):
                true = random.normal(50, 12)
                rows.append((f"s{subject:02d}", 1.05 * true + own + random.normal(0, 2), true + random.normal(0, 1)))
        yield pd.DataFrame(rows, columns=["subject", "method", "reference"])


def against_scipy(ours, table):
    m, r = table.method.to_numpy(), table.reference.to_numpy()
    d, n = m - r, len(m)
    z, s = st.norm.ppf(0.975), d.std(ddof=1)
    ba = ours["bland_altman"]
    check("bias", ba["bias"], d.mean())
    check("sd", ba["sd"], s)
    check("upper limit", ba["upper"], d.mean() + z * s)
    low, high = st.t.interval(0.95, n - 1, d.mean(), s / np.sqrt(n))
    check("bias interval low", ba["bias_interval"]["low"], low)
    check("bias interval high", ba["bias_interval"]["high"], high)
    near, far = st.nct.ppf([0.025, 0.975], n - 1, z * np.sqrt(n)) * s / np.sqrt(n)
    check("upper limit exact low", ba["upper_exact"]["low"], d.mean() + near)
    check("upper limit exact high", ba["upper_exact"]["high"], d.mean() + far)
    line = st.linregress((m + r) / 2, d)
    check("slope", ours["proportional"]["slope"], line.slope)
    check("slope se", ours["proportional"]["slope_se"], line.stderr)
    check("slope p", ours["proportional"]["slope_p"], line.pvalue)
    check("pearson", ours["concordance"]["pearson"], st.pearsonr(m, r).statistic)
    exact = st.binomtest(int((d > 0).sum()), n).proportion_ci()
    check("exact binomial low", ours["positive"]["interval"]["low"], exact.low)
    check("exact binomial high", ours["positive"]["interval"]["high"], exact.high)
    groups = [g.to_numpy() for _, g in (table.method - table.reference).groupby(table.subject)]
    f = st.f_oneway(*groups).statistic
    sizes = np.array([len(g) for g in groups])
    within = sum(((g - g.mean()) ** 2).sum() for g in groups) / (n - len(groups))
    typical = (n**2 - (sizes**2).sum()) / ((len(groups) - 1) * n)
    between = max(0.0, within * (f - 1) / typical)
    check("repeated sd", ours["repeated"]["sd"], np.sqrt(between + within))


def against_pingouin(ours, table):
    long = table.reset_index().melt(id_vars="index", value_vars=["method", "reference"])
    theirs = pg.intraclass_corr(data=long, targets="index", raters="variable", ratings="value")
    column = "CI95" if "CI95" in theirs else "CI95%"
    for own, (_, row) in zip(ours["intraclass"], theirs.iterrows()):
        check(f"{own['form']} against pingouin", own["value"], row["ICC"])
        check(f"{own['form']} p", own["p"], row["pval"])
        # pingouin rounds intervals to two digits.
        check(f"{own['form']} low", own["interval"]["low"], row[column][0], 0.00501)
        check(f"{own['form']} high", own["interval"]["high"], row[column][1], 0.00501)


PSYCH = """
suppressMessages(library(psych))
d <- read.csv(commandArgs(TRUE)[1]); options(digits = 15)
icc <- ICC(d[, c("method", "reference")], lmer = FALSE)$results
cat(paste(icc$ICC, icc[["lower bound"]], icc[["upper bound"]]), sep = "\\n")
"""

EPIR = """
suppressMessages(library(epiR))
d <- read.csv(commandArgs(TRUE)[1]); options(digits = 15)
ccc <- epi.ccc(d$method, d$reference)$rho.c
cat(paste(ccc[[1]], ccc[[2]], ccc[[3]]), "\\n")
"""

# Forms of the intraclass correlation in the order in which psych lists them.
FORMS = ["ICC(1)", "ICC(A,1)", "ICC(C,1)", "ICC(k)", "ICC(A,k)", "ICC(C,k)"]


def by_r(package, script, table):
    """Rows of figures that an R package gives, or None where it is not there."""
    found = subprocess.run(["Rscript", "-e", f"library({package})"], capture_output=True)
    if found.returncode != 0:
        print(f"--  R has no {package}: left out")
        return None
    with tempfile.NamedTemporaryFile("w", suffix=".csv") as file:
        table.to_csv(file, index=False)
        file.flush()
        run = subprocess.run(["Rscript", "-e", script, file.name], capture_output=True, text=True, check=True)
    rows = [[float(word) for word in line.split()] for line in run.stdout.splitlines() if line.strip()]
    assert rows, f"R's {package} said nothing"
    return rows


def against_r(ours, table):
    by_form = {own["form"]: own for own in ours["intraclass"]}
    for form, (value, low, high) in zip(FORMS, by_r("psych", PSYCH, table) or []):
        check(f"{form} against psych", by_form[form]["value"], value)
        check(f"{form} low against psych", by_form[form]["interval"]["low"], low)
        check(f"{form} high against psych", by_form[form]["interval"]["high"], high)
    for value, low, high in by_r("epiR", EPIR, table) or []:
        check("Lin's CCC against epiR", ours["concordance"]["coefficient"], value)
        check("CCC low against epiR", ours["concordance"]["interval"]["low"], low)
        check("CCC high against epiR", ours["concordance"]["interval"]["high"], high)


def main():
    for table in tables():
        print(f"-- {len(table)} pairs, {table.subject.nunique()} subjects")
        run = subprocess.run([sys.argv[1]], input=table.to_csv(index=False), capture_output=True, text=True, check=True)
        ours = json.loads(run.stdout)
        against_scipy(ours, table)
        against_pingouin(ours, table)
        if shutil.which("Rscript"):
            against_r(ours, table)
        else:
            print("--  R is not there: left out")
    print(f"{failures} figures disagree")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
