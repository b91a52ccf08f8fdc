//! The words of the pages, in one place: `words.toml`, whose words a folder of one's own replaces one by one.

use crate::record::Answer;
use crate::report::page::ReportError;
use crate::report::templates::own;
use std::path::Path;
use toml::{Table, Value};

const BUILT_IN: &str = include_str!("../../report-templates/words.toml");

/// Words by group and key; those of a plot by the plot's name and key.
#[derive(Debug, Clone)]
pub struct Words(Table);

impl Words {
    /// The built-in ones; those of the folder's `words.toml` in place of those of the same key.
    ///
    /// # Errors
    /// The folder's own is no TOML.
    pub fn read(templates: Option<&Path>) -> Result<Self, ReportError> {
        let read = |text: &str| {
            text.parse::<Table>().map_err(|error| ReportError::Template(format!("words.toml: {}", error.message())))
        };
        let mut words = read(BUILT_IN)?;
        if let Some(text) = own(templates, "words.toml")? {
            lay_over(&mut words, read(&text)?);
        }
        Ok(Self(words))
    }

    /// All of them, for templates.
    pub fn all(&self) -> &Table {
        &self.0
    }

    /// Those that a page's script speaks.
    pub fn of_script(&self) -> Option<&Value> {
        self.0.get("script")
    }

    /// An answer in words, to stand by itself.
    pub fn answer(&self, answer: Answer) -> &str {
        self.answer_of("answer", answer)
    }

    /// An answer in as few words as tell it from the others.
    pub fn brief(&self, answer: Answer) -> &str {
        self.answer_of("brief", answer)
    }

    /// A kind of specimen in words.
    pub fn specimen(&self, specimen: &str) -> String {
        let word = self.0.get("specimen").and_then(|kinds| kinds.get(specimen)?.as_str());
        word.unwrap_or(specimen).to_owned()
    }

    fn answer_of(&self, group: &str, answer: Answer) -> &str {
        let key = match answer {
            Answer::Reconstruct => "reconstruct",
            Answer::ReconstructWithout => "reconstruct_without",
            Answer::DoNotReconstruct => "do_not_reconstruct",
            Answer::Undecided => "undecided",
        };
        self.0.get(group).and_then(|answers| answers.get(key)?.as_str()).unwrap_or(key)
    }

    /// What became of a series in a run over many; itself where it is no word of the list.
    pub fn state<'a>(&'a self, state: &'a str) -> &'a str {
        self.0.get("state").and_then(|states| states.get(state)?.as_str()).unwrap_or(state)
    }

    /// A word of a plot. Every key that is asked for stands in the built-in words (a test sees to it).
    pub fn plot<'a>(&'a self, plot: &str, key: &'a str) -> &'a str {
        let word = self.0.get("plot").and_then(|plots| plots.get(plot)?.get(key)?.as_str());
        word.unwrap_or(key)
    }

    /// A sentence of a plot, its `{slots}` filled.
    pub fn told(&self, plot: &str, key: &str, slots: &[(&str, String)]) -> String {
        let fill = |text: String, (slot, value): &(&str, String)| text.replace(&format!("{{{slot}}}"), value);
        slots.iter().fold(self.plot(plot, key).to_owned(), fill)
    }
}

/// Puts words over others, group by group.
fn lay_over(under: &mut Table, over: Table) {
    for (key, value) in over {
        match (under.get_mut(&key), value) {
            (Some(Value::Table(under)), Value::Table(over)) => lay_over(under, over),
            (_, value) => {
                under.insert(key, value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn a_folder_replaces_words_one_by_one() {
        let folder = tempfile::tempdir().unwrap();
        let own = "[page]\nchecks = \"Prüfungen\"\n[plot.counts]\ny = \"Zählwerte\"\n";
        fs::write(folder.path().join("words.toml"), own).unwrap();
        let (own, built_in) = (Words::read(Some(folder.path())).unwrap(), Words::read(None).unwrap());
        assert_eq!(own.0["page"]["checks"].as_str(), Some("Prüfungen"));
        assert_eq!(own.0["page"]["tilts"], built_in.0["page"]["tilts"]);
        assert_eq!(
            (own.plot("counts", "y"), own.plot("counts", "title")),
            ("Zählwerte", built_in.plot("counts", "title"))
        );
        assert_eq!(own.0.len(), built_in.0.len());
    }

    #[test]
    fn every_answer_has_its_word() {
        let words = Words::read(None).unwrap();
        for answer in [Answer::Reconstruct, Answer::ReconstructWithout, Answer::DoNotReconstruct, Answer::Undecided] {
            assert!(words.answer(answer).starts_with(char::is_uppercase), "{answer:?}");
            assert!(words.brief(answer).starts_with(char::is_lowercase), "{answer:?}");
        }
        assert!(["answer", "brief"].iter().all(|group| words.0[*group].as_table().unwrap().len() == 4));
    }

    #[test]
    fn slots_are_filled() {
        let words = Words::read(None).unwrap();
        let told = words.told("dose", "finding", &[("least", "1.0".into()), ("most", "9.5".into())]);
        assert!(told.contains("1.0") && told.contains("9.5") && !told.contains('{'), "{told}");
    }

    /// A word of a plot that nothing asks for, and one that is asked for in vain, are both mistakes.
    #[test]
    fn every_word_of_a_plot_is_used_and_every_use_has_its_word() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/report");
        let files = fs::read_dir(folder).unwrap().map(|file| file.unwrap().path());
        let code: String =
            files.filter(|path| !path.ends_with("words.rs")).map(|path| fs::read_to_string(path).unwrap()).collect();
        let words = Words::read(None).unwrap();
        let plots = words.0["plot"].as_table().unwrap();
        let uses = regex::Regex::new(r#"(?:plot|told)\(\s*"([a-z_]+)",\s*"([a-z_]+)""#).unwrap();
        let mut used: Vec<(String, String)> =
            uses.captures_iter(&code).map(|found| (found[1].to_owned(), found[2].to_owned())).collect();
        let over_tilt = regex::Regex::new(r#"over_tilt(?:_with)?\(\s*shown,\s*"([a-z_]+)""#).unwrap();
        for found in over_tilt.captures_iter(&code) {
            used.extend(["title", "y"].map(|key| (found[1].to_owned(), key.to_owned())));
        }
        for (plot, key) in &used {
            assert!(plots.get(plot).is_some_and(|plot| plot.get(key).is_some()), "{plot}.{key} is no word");
        }
        for (plot, words) in plots {
            for key in words.as_table().unwrap().keys() {
                assert!(used.iter().any(|(of, used)| of == plot && used == key), "{plot}.{key} is not used");
            }
        }
    }
}
