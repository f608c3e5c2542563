//! The methods in plain words, ready for a thesis.

use crate::page::Words;

use super::provenance::Provenance;

/// The methods as paragraphs: what was done, with which settings, versions, inputs and sources.
pub fn methods(provenance: &Provenance, words: &Words) -> Vec<String> {
    let cameras = provenance.cameras.to_string();
    let mut paragraphs: Vec<String> = words
        .methods
        .paragraphs
        .iter()
        .map(|text| {
            text.replace("{version}", &provenance.version)
                .replace("{cameras}", &cameras)
        })
        .collect();
    let mut list = |name: &str, items: Vec<String>| {
        if !items.is_empty() {
            paragraphs.push(format!("{name}: {}.", items.join("; ")));
        }
    };
    let pairs = |map: &std::collections::BTreeMap<String, String>| {
        map.iter()
            .map(|(key, value)| format!("{key} {value}"))
            .collect::<Vec<_>>()
    };
    list(&words.methods.settings, pairs(&provenance.settings));
    list(&words.methods.versions, pairs(&provenance.libraries));
    let inputs = provenance
        .inputs
        .iter()
        .map(|input| format!("{} (SHA-256 {})", input.name, input.sha256));
    list(&words.methods.inputs, inputs.collect());
    let sources = provenance
        .sources
        .iter()
        .map(|source| format!("{}: {}", source.of, source.citation));
    list(&words.methods.sources, sources.collect());
    paragraphs
}
