//! Sentences of records in another language. A record keeps the sentences in which it was judged, so that laboratories can
//! compare theirs; a page tells them by the list that stands in the folder of `--templates`. `sentences.toml` lists every
//! sentence that a record may hold: its wording in the code with its slots, against the wording on the page.

use crate::record::Record;
use crate::report::page::ReportError;
use crate::report::templates::own;
use regex::{Regex, RegexSet, RegexSetBuilder};
use serde::{Serialize, de::DeserializeOwned};
use serde_json::Value;
use std::cell::RefCell;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// All sentences, by the part of the code that says them.
pub const BUILT_IN: &str = include_str!("../../report-templates/sentences.toml");
const FILE: &str = "sentences.toml";
/// What a slot holds may be a sentence with slots, and so on.
const DEEPEST: usize = 8;
/// A sentence of so many letters outside of slots is hardly met by chance.
const PLAIN: usize = 6;
/// Longer texts are shown as they are: no sentence is as long, and to look for parts takes the square of the length.
const MOST_BYTES: usize = 2000;
/// In texts of so many bytes a sentence may begin at any word.
const SHORT: usize = 80;
/// Several hundred patterns are more than the default allows.
const MOST_PATTERN_BYTES: usize = 100 << 20;
/// What sentences are joined by where they stand in a row.
const JOINTS: [&str; 3] = ["; ", ": ", ", "];
/// Fields of a record that tell of files and what stood in them, not of what was found.
const AS_READ: [&str; 6] = ["series", "inputs", "columns", "options", "profile", "tool"];
/// Fields whose words are keys.
const KEYS: [&str; 9] = [
    "sense",
    "id",
    "flags",
    "reason_checks",
    "scheme",
    "order_source",
    "followed",
    "warp_grows_with",
    "dark_area_shape",
];

/// One sentence.
struct Sentence {
    /// Its wording in records.
    pattern: Regex,
    slots: Vec<String>,
    /// Its wording on the page.
    own: String,
    /// Letters outside of slots: the sentence with the most is the one that is meant.
    letters: usize,
}

/// Sentences that a page words in its own way; none by default.
#[derive(Default)]
pub struct Sentences {
    /// Those with the most letters first.
    all: Vec<Sentence>,
    /// The patterns of all, to ask at once which of them a text is.
    patterns: RegexSet,
    /// What was told before: parts of texts come again and again.
    told: RefCell<HashMap<String, Option<String>>>,
}

impl Sentences {
    /// Those of the folder's `sentences.toml`.
    ///
    /// # Errors
    /// It is no TOML, or words a sentence that no record holds, or asks for a slot that the sentence has not.
    pub fn read(templates: Option<&Path>) -> Result<Self, ReportError> {
        let Some(text) = own(templates, FILE)? else { return Ok(Self::default()) };
        let known = list(BUILT_IN)?;
        let mut sentences = Vec::new();
        for (key, own) in list(&text)? {
            if !known.iter().any(|(known, _)| *known == key) {
                return Err(wrong(format!("`{key}` is no sentence of a record; copy it from the built-in {FILE}")));
            }
            if own != key {
                sentences.push(Sentence::new(&key, own)?);
            }
        }
        Self::of(sentences)
    }

    fn of(mut all: Vec<Sentence>) -> Result<Self, ReportError> {
        all.sort_by_key(|sentence| std::cmp::Reverse(sentence.letters));
        let patterns = RegexSetBuilder::new(all.iter().map(|sentence| sentence.pattern.as_str()));
        let patterns = { patterns }.size_limit(MOST_PATTERN_BYTES).build().map_err(|error| wrong(error.to_string()))?;
        Ok(Self { all, patterns, told: RefCell::default() })
    }

    /// A text as the page words it; itself where nothing of it is known.
    pub fn say(&self, text: &str) -> String {
        self.known(text, 0).unwrap_or_else(|| text.to_owned())
    }

    fn known(&self, text: &str, depth: usize) -> Option<String> {
        if self.all.is_empty() || depth > DEEPEST || text.len() > MOST_BYTES || !text.contains(char::is_alphabetic) {
            return None;
        }
        if let Some(told) = self.told.borrow().get(text) {
            return told.clone();
        }
        let told = self.look(text, depth);
        self.told.borrow_mut().insert(text.to_owned(), told.clone());
        told
    }

    /// The text as a row of sentences; else as one; else a sentence at its end, with what joins it; else whatever stands
    /// between joints. What is mostly slots fits many texts, and is asked last.
    fn look(&self, text: &str, depth: usize) -> Option<String> {
        let part = |part: &str| self.known(part, depth + 1).unwrap_or_else(|| part.to_owned());
        let whole = |least: usize, text: &str| {
            let small = || Some(with_first(&self.sentence(least, &small(text)?, depth)?, char::to_uppercase));
            self.sentence(least, text, depth).or_else(small)
        };
        let row = || {
            let each = text.contains(JOINTS[0]).then(|| text.split(JOINTS[0]).map(|one| whole(PLAIN, one)));
            each?.collect::<Option<Vec<_>>>().map(|told| told.join(JOINTS[0]))
        };
        let end = |least: usize| {
            let spaces = if text.len() <= SHORT { &[" "][..] } else { &[] };
            let joints = JOINTS.iter().chain(spaces);
            let ends = joints.flat_map(|joint| text.match_indices(joint).flat_map(|(at, _)| [at, at + joint.len()]));
            let mut ends = ends.filter(|&at| at > 0 && at < text.len());
            ends.find_map(|at| Some(part(&text[..at]) + &self.sentence(least, &text[at..], depth)?))
        };
        let joined = || {
            let joint = JOINTS.into_iter().find(|joint| text.contains(joint))?;
            Some(text.split(joint).map(part).collect::<Vec<_>>().join(joint))
        };
        let plain = row().or_else(|| whole(PLAIN, text)).or_else(|| end(PLAIN));
        plain.or_else(joined).or_else(|| whole(0, text)).or_else(|| end(0))
    }

    /// The text as one of the sentences of at least so many letters, its slots told in their turn.
    fn sentence(&self, least: usize, text: &str, depth: usize) -> Option<String> {
        let at = self.patterns.matches(text).into_iter().next()?;
        let part = |part: &str| self.known(part, depth + 1).unwrap_or_else(|| part.to_owned());
        self.all.get(at).filter(|sentence| sentence.letters >= least)?.tell(text, &part)
    }

    /// Texts of a record with the page's wording of each, for what the page's script shows of the record as stored.
    ///
    /// # Errors
    /// Never in practice: a record can be written.
    pub fn said(&self, record: &Record) -> Result<BTreeMap<String, String>, ReportError> {
        let mut said = BTreeMap::new();
        if !self.all.is_empty() {
            let mut value = serde_json::to_value(record).map_err(|error| wrong(error.to_string()))?;
            each_told(&mut value, &mut |text| {
                let own = self.say(text);
                if own != *text {
                    said.insert(text.clone(), own);
                }
            });
        }
        Ok(said)
    }

    /// A record, of a series or of a pair, as the page tells it: what was found in its words, what was read as it was read.
    ///
    /// # Errors
    /// Never in practice: a record can be written and read.
    pub fn reworded<T: Clone + Serialize + DeserializeOwned>(&self, record: &T) -> Result<T, ReportError> {
        if self.all.is_empty() {
            return Ok(record.clone());
        }
        let failed = |error: serde_json::Error| wrong(error.to_string());
        let mut value = serde_json::to_value(record).map_err(failed)?;
        each_told(&mut value, &mut |text| *text = self.say(text));
        serde_json::from_value(value).map_err(failed)
    }
}

/// Goes through the texts of a record that tell what was found.
fn each_told(value: &mut Value, visit: &mut dyn FnMut(&mut String)) {
    match value {
        Value::String(text) => visit(text),
        Value::Array(values) => values.iter_mut().for_each(|value| each_told(value, visit)),
        Value::Object(fields) => {
            let told =
                fields.iter_mut().filter(|(key, _)| !AS_READ.contains(&key.as_str()) && !KEYS.contains(&key.as_str()));
            told.for_each(|(_, value)| each_told(value, visit));
        }
        _ => {}
    }
}

impl Sentence {
    fn new(key: &str, own: String) -> Result<Self, ReportError> {
        let (mut pattern, mut slots, mut letters) = (String::from("^(?s)"), Vec::new(), 0);
        for (at, part) in key.split('{').enumerate() {
            let literal = match part.split_once('}').filter(|_| at > 0) {
                Some((slot, literal)) => {
                    pattern += "(.*?)";
                    slots.push(slot.to_owned());
                    literal
                }
                None => part,
            };
            pattern += &regex::escape(literal);
            letters += literal.chars().filter(|c| c.is_alphabetic()).count();
        }
        let asked = own.split('{').skip(1).filter_map(|part| part.split_once('}'));
        if let Some((slot, _)) = asked.into_iter().find(|(slot, _)| !slots.iter().any(|known| known == slot)) {
            return Err(wrong(format!("`{own}` asks for {{{slot}}}, which `{key}` has not")));
        }
        let pattern = Regex::new(&(pattern + "$")).map_err(|error| wrong(error.to_string()))?;
        Ok(Self { pattern, slots, own, letters })
    }

    /// The text in the page's wording, if it is this sentence.
    fn tell(&self, text: &str, part: &dyn Fn(&str) -> String) -> Option<String> {
        let found = self.pattern.captures(text)?;
        let mut told = String::new();
        for (at, piece) in self.own.split('{').enumerate() {
            match piece.split_once('}').filter(|_| at > 0) {
                Some((slot, literal)) => {
                    let place = self.slots.iter().position(|known| known == slot)?;
                    told += &part(found.get(place + 1)?.as_str());
                    told += literal;
                }
                None => told += piece,
            }
        }
        Some(told)
    }
}

/// The text begun with a small letter, if it begins with a capital.
fn small(text: &str) -> Option<String> {
    text.starts_with(char::is_uppercase).then(|| with_first(text, char::to_lowercase))
}

fn with_first<T: Iterator<Item = char>>(text: &str, turned: fn(char) -> T) -> String {
    text.chars().take(1).flat_map(turned).chain(text.chars().skip(1)).collect()
}

fn wrong(what: String) -> ReportError {
    ReportError::Template(format!("{FILE}: {what}"))
}

/// Key and wording of every sentence of a list.
fn list(text: &str) -> Result<Vec<(String, String)>, ReportError> {
    let groups: toml::Table = text.parse().map_err(|error: toml::de::Error| wrong(error.message().to_owned()))?;
    let mut sentences = Vec::new();
    for (group, list) in groups {
        let list = list.as_table().ok_or_else(|| wrong(format!("`{group}` is no group of sentences")))?;
        for (key, own) in list {
            let own = own.as_str().ok_or_else(|| wrong(format!("`{key}` is given no text")))?;
            sentences.push((key.clone(), own.to_owned()));
        }
    }
    Ok(sentences)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sentences(pairs: &[(&str, &str)]) -> Sentences {
        Sentences::of(pairs.iter().map(|(key, own)| Sentence::new(key, (*own).to_owned()).unwrap()).collect()).unwrap()
    }

    #[test]
    fn slots_are_told_in_their_turn_and_may_change_places() {
        let german = sentences(&[
            ("{1} and {last}", "{1} und {last}"),
            ("{1} are dark by {share} (limit {limit})", "dunkel: {1}, um {share} (Grenze {limit})"),
            ("the gap is {1}°", "die Lücke ist {1}°"),
        ]);
        assert_eq!(
            german.say("+3.0° and +6.0° are dark by 4 % (limit 0.1)"),
            "dunkel: +3.0° und +6.0°, um 4 % (Grenze 0.1)"
        );
        assert_eq!(german.say("The gap is 3.0°; the gap is 4.0°"), "Die Lücke ist 3.0°; die Lücke ist 4.0°");
        assert_eq!(german.say("kelp"), "kelp");
    }

    #[test]
    fn a_folder_words_only_sentences_that_are_known_with_slots_that_are_there() {
        let folder = tempfile::tempdir().unwrap();
        let read = |text: &str| {
            std::fs::write(folder.path().join(FILE), text).unwrap();
            Sentences::read(Some(folder.path())).err().map(|error| error.to_string()).unwrap_or_default()
        };
        let known = list(BUILT_IN).unwrap();
        let (key, _) = known.iter().find(|(key, _)| key.contains('{')).unwrap();
        assert!(read("[own]\n\"a sentence of nobody\" = \"x\"\n").contains("`a sentence of nobody` is no sentence"));
        let quoted = toml::Value::String(key.clone()).to_string();
        assert!(read(&format!("[own]\n{quoted} = \"{{never}}\"\n")).contains("asks for {never}"));
        assert_eq!(read(BUILT_IN), "");
    }
}
