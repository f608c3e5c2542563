//! `--alias`: archers of the manifest under other names, in everything that a run writes.

use crate::failure::{Failure, Outcome};
use crate::practice::Practice;
use drawarc_report::Corrections;

/// One name with what stands for it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Pair {
    name: String,
    alias: String,
}

/// Names with what stands for them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Aliases(Vec<Pair>);

impl Aliases {
    /// From `NAME=ALIAS` texts. Every name must be an archer's of the manifest, and no two archers may become one.
    pub(crate) fn read(texts: &[String], practice: &Practice) -> Outcome<Self> {
        let mut pairs = Vec::new();
        for text in texts {
            let (name, alias) = text
                .split_once('=')
                .map(|(name, alias)| (name.trim(), alias.trim()))
                .filter(|(name, alias)| !name.is_empty() && !alias.is_empty())
                .ok_or_else(|| {
                    Failure::input(format!("--alias {text:?} is not of the form NAME=ALIAS"))
                })?;
            if !practice.turns.iter().any(|turn| turn.archer == name) {
                let known: Vec<&str> = practice
                    .turns
                    .iter()
                    .map(|turn| turn.archer.as_str())
                    .collect();
                return Err(Failure::input(format!(
                    "--alias: no archer is called {name:?} in the manifest; known: {}",
                    known.join(", ")
                )));
            }
            pairs.push(Pair {
                name: name.to_owned(),
                alias: alias.to_owned(),
            });
        }
        let aliases = Self(pairs);
        for (index, turn) in practice.turns.iter().enumerate() {
            let merged = practice.turns[..index].iter().find(|other| {
                other.archer != turn.archer && aliases.of(&other.archer) == aliases.of(&turn.archer)
            });
            if merged.is_some() {
                return Err(Failure::input(format!(
                    "--alias would give two archers one name: {:?}",
                    aliases.of(&turn.archer)
                )));
            }
        }
        Ok(aliases)
    }

    /// What stands for a name; the name itself where nothing does.
    fn of<'a>(&'a self, name: &'a str) -> &'a str {
        self.0
            .iter()
            .find(|pair| pair.name == name)
            .map_or(name, |pair| &pair.alias)
    }

    /// Renames the archers of a practice, in its title, too.
    pub(crate) fn rename(&self, practice: &mut Practice) {
        for turn in &mut practice.turns {
            turn.archer = self.of(&turn.archer).to_owned();
        }
        for pair in &self.0 {
            practice.title = practice.title.replace(&pair.name, &pair.alias);
        }
    }

    /// Renames the archers of corrections.
    pub(crate) fn rename_corrections(&self, corrections: &mut Corrections) {
        for correction in &mut corrections.shots {
            if let Some(archer) = &mut correction.archer {
                *archer = self.of(archer).to_owned();
            }
        }
    }

    /// What still tells a name: files and cameras keep theirs.
    pub(crate) fn remarks(&self, practice: &Practice) -> Vec<String> {
        let mut remarks = Vec::new();
        for camera in &practice.cameras {
            let files = camera
                .files
                .iter()
                .filter_map(|file| file.file_name())
                .map(|name| name.to_string_lossy().into_owned());
            for text in files.chain([camera.name.clone()]) {
                let told = |pair: &&Pair| text.to_lowercase().contains(&pair.name.to_lowercase());
                if let Some(pair) = self.0.iter().find(told) {
                    remarks.push(format!(
                        "{text:?} still tells {:?}: the results name files and cameras",
                        pair.name
                    ));
                }
            }
        }
        remarks
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn practice() -> Practice {
        serde_yaml::from_str(
            "{format: drawarc-practice/1, title: Evening with Ann Smith, date: 2026-05-14, board: b.yaml, \
             cameras: [{name: five, files: [ann smith.mp4]}, {name: three, files: [b.mp4]}], \
             turns: [{archer: Ann Smith, handedness: right}, {archer: Bo, handedness: left}]}",
        )
        .unwrap()
    }

    fn read(texts: &[&str]) -> Outcome<Aliases> {
        let texts: Vec<String> = texts.iter().map(|text| (*text).to_owned()).collect();
        Aliases::read(&texts, &practice())
    }

    #[test]
    fn a_name_goes_from_turns_and_title_and_what_still_tells_it_is_said() {
        let mut practice = practice();
        let aliases = read(&["Ann Smith = Kestrel"]).unwrap();
        let remarks = aliases.remarks(&practice);
        assert!(
            remarks.len() == 1 && remarks[0].contains("ann smith.mp4"),
            "{remarks:?}"
        );
        aliases.rename(&mut practice);
        assert_eq!(practice.turns[0].archer, "Kestrel");
        assert_eq!(practice.turns[1].archer, "Bo");
        assert_eq!(practice.title, "Evening with Kestrel");
    }

    #[test]
    fn what_cannot_be_is_refused_in_words() {
        for (texts, part) in [
            (vec!["Kestrel"], "NAME=ALIAS"),
            (vec!["Cy=Kestrel"], "Ann Smith, Bo"),
            (vec!["Ann Smith=Bo"], "two archers"),
        ] {
            let problem = read(&texts).unwrap_err().to_string();
            assert!(problem.contains(part), "{problem}");
        }
    }
}
