//! Agreement statistics of a table of pairs, as JSON, for comparison with other packages.
//!
//! Reads a CSV from standard input with a header and columns `subject,method,reference`; prints one JSON object.
//! `tests/outside_statistics.py` runs it against pingouin and `SciPy`.

use drawarc_study::statistics::{
    Replicates, bland_altman, concordance, intraclass_table, proportion, proportional_bias,
    repeated_varying,
};
use serde_json::json;
use std::collections::BTreeMap;
use std::io::Read;

#[expect(clippy::print_stdout, reason = "an example prints")]
fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text)?;
    let (mut method, mut reference) = (Vec::new(), Vec::new());
    let mut by_subject: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for line in text.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let [subject, m, r] = fields[..] else {
            return Err(format!("not three fields: {line}").into());
        };
        let (m, r): (f64, f64) = (m.trim().parse()?, r.trim().parse()?);
        by_subject
            .entry(subject.to_owned())
            .or_default()
            .push(m - r);
        method.push(m);
        reference.push(r);
    }
    let differences: Vec<f64> = method.iter().zip(&reference).map(|(m, r)| m - r).collect();
    let table: Vec<Vec<f64>> = method
        .iter()
        .zip(&reference)
        .map(|(m, r)| vec![*m, *r])
        .collect();
    let groups: Vec<Vec<f64>> = by_subject.into_values().collect();
    let positive = differences.iter().filter(|d| **d > 0.0).count();
    let result = json!({
        "bland_altman": bland_altman(&differences, 0.95)?,
        "repeated": repeated_varying(Replicates(&groups), 0.95).ok(),
        "proportional": proportional_bias(&method, &reference, 0.95)?,
        "concordance": concordance(&method, &reference, 0.95)?,
        "intraclass": intraclass_table(&table, 0.95)?,
        "positive": proportion(positive, differences.len(), 0.95)?,
    });
    println!("{result}");
    Ok(())
}
