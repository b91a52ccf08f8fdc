//! Profiles: the limits of a kind of specimen, as data.

use crate::judge::checks::{REGISTRY, definition};
use crate::judge::house::House;
use crate::judge::inherit;
use crate::judge::watch::Watch;
use crate::physics::exposure::CriticalExposure;
use crate::record::hashes::hex;
use crate::record::{Sense, Specimen};
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;

/// The profiles that come with tiltworth, by name.
pub const BUILT_IN: [(&str, &str); 2] = [
    ("resin-section", include_str!("profiles/resin-section.toml")),
    ("vitrified", include_str!("profiles/vitrified.toml")),
];

/// Limits and what must be left, as written in a profile file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// Its name.
    pub name: String,
    /// One line for people.
    pub about: String,
    /// Resolution aimed at, where the series states none.
    pub resolution_nm: f64,
    /// Figures without which no answer is given.
    pub needs: Vec<Need>,
    /// Share of the electrons that should come through at the steepest tilt; absent: not judged.
    pub least_transmission: Option<f64>,
    /// Critical exposure of this kind of specimen; absent: no dose weights.
    pub critical_exposure: Option<Exposure>,
    /// What must be left for an answer of reconstruct.
    pub left: Left,
    /// What is watched over many sessions; absent: as in the built-in profile.
    pub watch: Option<Watch>,
    /// Name and logo of the facility, for the report.
    pub house: Option<House>,
    /// Limits by check id.
    pub checks: BTreeMap<String, CheckLimits>,
    /// SHA-256 of the text.
    #[serde(skip)]
    pub sha256: String,
    /// The whole text, what it extends laid in.
    #[serde(skip)]
    pub text: String,
}

/// A figure that the answer needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Need {
    /// Counts of every tilt.
    Counts,
    /// At least two angles.
    Coverage,
    /// A known order of acquisition.
    Order,
    /// The field followed through the tilts.
    Tracking,
}

/// `[critical_exposure]`
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Exposure {
    a: f64,
    b: f64,
    c: f64,
}

/// `[left]`
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Left {
    /// Degrees in all.
    pub range_deg: f64,
    /// Share of the recorded tilts.
    pub share_of_tilts: f64,
    /// Number of tilts.
    pub tilts: usize,
    /// Fewer than these are told as a reason.
    pub few_tilts: usize,
    /// Largest gap, what goes beyond a step counted twice inside ±`centre_deg`.
    pub largest_gap: Term,
    /// Half of the range in which gaps cost most.
    pub centre_deg: f64,
    /// Share of the tilts that soft faults may leave out.
    pub most_soft_exclusions: f64,
}

/// Limits of one check.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CheckLimits {
    /// First limit.
    pub caution: Option<Term>,
    /// Second limit.
    pub fail: Option<Term>,
    /// On which side a value is bad, where that differs from the check's own sense.
    pub sense: Option<Sense>,
    /// How a failed tilt is left out; absent: never.
    pub excludes: Option<Excludes>,
    /// A deviation must also exceed this many robust standard deviations.
    pub robust_sds: Option<f64>,
    /// A value must be this many of its standard uncertainties off, or surely within the limit; else it is not known.
    pub significant_sds: Option<f64>,
    /// A step under this share of the shorter side is none.
    pub least_share: Option<f64>,
    /// Angles nearer than this share of the step are one.
    pub closer_than_steps: Option<f64>,
    /// The same angle recorded again after more than this share of the series is a control, and meant.
    pub control_after_share: Option<f64>,
    /// A shadow explains counts that are missing up to this many times its own share of the frame.
    pub explains_counts_times: Option<f64>,
    /// A shadow over this share of the operator's area covers it.
    pub area_covered: Option<f64>,
    /// From this share of the tilts on the fault is of all of them.
    pub whole_from_share: Option<f64>,
    /// Limits that replace these where the series is no montage.
    pub single_area: Option<SingleArea>,
    /// First limit of the share of the tilts that are followed.
    pub followed_caution: Option<Term>,
    /// Second limit of it.
    pub followed_fail: Option<Term>,
    /// Unit of the limits, where that differs from the check's own.
    #[serde(skip)]
    pub unit: Option<&'static str>,
}

/// Limits for a series that is no montage.
#[derive(Debug, Clone, Copy, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SingleArea {
    /// First limit.
    pub caution: Option<Term>,
    /// Second limit.
    pub fail: Option<Term>,
}

/// How a failed tilt is left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Excludes {
    /// Whatever it costs.
    Hard,
    /// Where the loss is smaller.
    Soft,
    /// Not at all, where the profile that is extended would.
    Never,
}

/// A limit: a number, a range, or the larger of several terms.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(untagged)]
pub enum Term {
    /// A number.
    Number(f64),
    /// `[low, high]`; `inf` or `-inf` leaves an end open.
    Range([f64; 2]),
    /// The larger of the terms that stand.
    Larger(Terms),
    /// `"never"`: this grade is not given, where the profile that is extended would.
    Never(Never),
}

/// The word `never`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Never {
    /// The word.
    Never,
}

/// Terms of a limit.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Terms {
    at_least: Option<f64>,
    steps: Option<f64>,
    resolution_nm_over: Option<f64>,
    reserve_for_range: Option<f64>,
    where_unknown: Option<f64>,
    wanted_defocus_times: Option<f64>,
    resolution_squared_over_4_wavelengths: Option<f64>,
    resolution_px_over: Option<f64>,
}

/// What the terms of limits hang on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Yardsticks {
    /// Tilt step of the series.
    pub step_deg: Option<f64>,
    /// Resolution aimed at.
    pub resolution_nm: f64,
    /// Underfocus asked for.
    pub wanted_defocus_um: Option<f64>,
    /// Electron wavelength.
    pub wavelength_nm: Option<f64>,
    /// Pixel size at the specimen.
    pub pixel_nm: Option<f64>,
    /// How much brighter the beam must be at the ends of the tilt range than at zero tilt.
    pub reserve_for_range: Option<f64>,
}

impl Term {
    /// The limit as numbers; `None` where a yardstick is missing.
    pub fn evaluate(&self, yardsticks: &Yardsticks) -> Option<crate::record::Limit> {
        use crate::record::Limit;
        match self {
            Self::Number(value) => Some(Limit::One(*value)),
            Self::Range(range) => Some(Limit::Between(*range)),
            Self::Larger(terms) => terms.larger(yardsticks).map(Limit::One),
            Self::Never(_) => None,
        }
    }

    /// Why this can be no limit.
    fn fault(&self) -> Option<String> {
        match *self {
            Self::Number(value) if !value.is_finite() => Some(format!("the limit {value} is no finite number")),
            Self::Range([low, high]) if low.is_nan() || high.is_nan() || low >= high => {
                Some(format!("the range [{low}, {high}] is empty"))
            }
            Self::Range([low, high]) if low.is_infinite() && high.is_infinite() => {
                Some("a range with both ends open limits nothing".into())
            }
            _ => None,
        }
    }

    /// The upper end of a range alone.
    pub fn upper_side(self) -> Self {
        match self {
            Self::Range([_, high]) => Self::Number(high),
            other => other,
        }
    }

    /// The same limit, but never under `least`.
    pub fn no_less_than(self, least: f64) -> Self {
        match self {
            Self::Number(limit) => Self::Number(limit.max(least)),
            other => other,
        }
    }

    /// A one-sided limit as a number.
    pub fn number(&self, yardsticks: &Yardsticks) -> Option<f64> {
        match self {
            Self::Number(value) => Some(*value),
            Self::Range(_) | Self::Never(_) => None,
            Self::Larger(terms) => terms.larger(yardsticks),
        }
    }
}

impl Terms {
    fn larger(&self, yardsticks: &Yardsticks) -> Option<f64> {
        let steps = match self.steps {
            Some(factor) => Some(factor * yardsticks.step_deg?),
            None => None,
        };
        let resolution = self.resolution_nm_over.map(|divisor| yardsticks.resolution_nm / divisor);
        let wanted = match self.wanted_defocus_times {
            Some(factor) => Some(factor * yardsticks.wanted_defocus_um?),
            None => None,
        };
        // The underfocus by which the rings at the resolution aimed at turn by a quarter, in µm.
        let quarter_turn_um = match self.resolution_squared_over_4_wavelengths {
            Some(factor) => Some(factor * 1e-3 * yardsticks.resolution_nm.powi(2) / (4.0 * yardsticks.wavelength_nm?)),
            None => None,
        };
        // Without a pixel size the other terms stand alone.
        let pixels = self.resolution_px_over.zip(yardsticks.pixel_nm);
        let pixels = pixels.map(|(divisor, pixel_nm)| yardsticks.resolution_nm / divisor / pixel_nm);
        let reserve = match (self.reserve_for_range, yardsticks.reserve_for_range) {
            (Some(factor), Some(reserve)) => Some(factor * reserve),
            (Some(_), None) => Some(self.where_unknown?),
            (None, _) => None,
        };
        let terms = [self.at_least, steps, resolution, pixels, wanted, quarter_turn_um, reserve];
        terms.into_iter().flatten().reduce(f64::max)
    }
}

/// Why a profile cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{origin}: {fault}; {remedy}")]
pub struct ProfileError {
    /// The file, or the built-in name.
    pub origin: String,
    /// What is wrong.
    pub fault: String,
    /// What to do.
    pub remedy: String,
}

impl Profile {
    /// Critical exposure of this kind of specimen.
    pub fn curve(&self) -> Option<CriticalExposure> {
        self.critical_exposure.map(|Exposure { a, b, c }| CriticalExposure { a, b, c })
    }

    /// Reads a profile's text; `origin` is named in errors.
    ///
    /// # Errors
    /// A key that is not known (with the nearest that is), a value of the wrong kind.
    pub fn parse(text: &str, origin: &str) -> Result<Self, ProfileError> {
        let wrong = |fault: String, remedy: &str| ProfileError { origin: origin.into(), fault, remedy: remedy.into() };
        let extended = inherit::whole(text, origin)?;
        let read = match &extended {
            Some((table, _)) => table.clone().try_into(),
            None => toml::from_str(text),
        };
        let mut profile: Self = read.map_err(|error| mistake(text, origin, &error))?;
        for id in profile.checks.keys() {
            if definition(id).is_none() {
                let nearest = nearest(id, REGISTRY.iter().map(|check| check.id));
                let fault = format!("checks.{id} is no check of tiltworth's");
                return Err(wrong(fault, &format!("the nearest is {nearest}")));
            }
        }
        if let Some(fault) = profile.watch.as_ref().and_then(Watch::fault) {
            return Err(wrong(fault.into(), "`tiltworth profile show resin-section` is an example"));
        }
        if let Some(fault) = profile.house.as_ref().and_then(House::fault) {
            return Err(wrong(fault.into(), "write it on one line: base64 -w0 logo.png"));
        }
        for (id, limits) in &profile.checks {
            let single = limits.single_area.unwrap_or_default();
            let followed = [limits.followed_caution, limits.followed_fail];
            let own = [limits.caution, limits.fail, single.caution, single.fail];
            for term in own.into_iter().chain(followed).flatten() {
                if let Some(fault) = term.fault() {
                    return Err(wrong(format!("checks.{id}: {fault}"), "give [low, high], one end at most open (inf)"));
                }
            }
        }
        // No exclusion is what an absent key says.
        for limits in profile.checks.values_mut() {
            limits.excludes = limits.excludes.filter(|&excludes| excludes != Excludes::Never);
        }
        profile.text = extended.as_ref().map_or_else(|| text.to_owned(), |(table, _)| table.to_string());
        let texts = extended.map_or_else(|| vec![text.to_owned()], |(_, texts)| texts);
        profile.sha256 = hex(&Sha256::digest(texts.concat().as_bytes()));
        Ok(profile)
    }

    /// A profile by built-in name or by path; without one, the specimen's own.
    ///
    /// # Errors
    /// As [`Profile::parse`]; a name that is neither built in nor a file.
    pub fn find(name: Option<&str>, specimen: Specimen) -> Result<Self, ProfileError> {
        let default = if specimen == Specimen::Vitrified { "vitrified" } else { "resin-section" };
        let name = name.unwrap_or(default);
        if let Some((name, text)) = BUILT_IN.iter().find(|(built_in, _)| *built_in == name) {
            return Self::parse(text, name);
        }
        let text = std::fs::read_to_string(Path::new(name)).map_err(|error| ProfileError {
            origin: name.into(),
            fault: format!("neither a built-in profile nor a file that can be read ({error})"),
            remedy: "`tiltworth profile list` names the built-in ones".into(),
        })?;
        Self::parse(&text, name)
    }
}

/// What is wrong with a text that is TOML but no profile, or no TOML at all.
fn mistake(text: &str, origin: &str, error: &toml::de::Error) -> ProfileError {
    let message = error.message().trim();
    // serde names the wrong key and all right ones between back-quotes.
    let mut quoted = message.split('`').skip(1).step_by(2);
    let wrong = quoted.next().filter(|_| message.starts_with("unknown field"));
    let by_span = error.span().map(|span| text[..span.start.min(text.len())].lines().count().max(1));
    let by_key = |key: &str| {
        let names = |line: &str| line.split('=').next().is_some_and(|left| left.trim().trim_matches('"') == key);
        text.lines().position(names).map(|at| at + 1)
    };
    let line = by_span.or_else(|| wrong.and_then(by_key)).map(|line| format!("line {line}: ")).unwrap_or_default();
    let (fault, remedy) = match wrong {
        Some(key) => {
            let nearest = nearest(key, quoted);
            (format!("{line}{key} is no key here"), format!("the nearest is {nearest}"))
        }
        None => (
            format!("{line}{}", message.replace('\n', ", ")),
            "correct that line; `tiltworth profile show resin-section` is an example".into(),
        ),
    };
    ProfileError { origin: origin.into(), fault, remedy }
}

/// The known word with the fewest edits to `word`.
fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> &'a str {
    known.min_by_key(|candidate| edits(word, candidate)).unwrap_or("")
}

/// Levenshtein distance.
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, &y) in b.iter().enumerate() {
            let change = diagonal + usize::from(x != y);
            diagonal = row[j + 1];
            row[j + 1] = change.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn built_in_profiles_hold_every_check_once() {
        for (name, text) in BUILT_IN {
            let profile = Profile::parse(text, name).unwrap();
            assert_eq!(profile.name, name);
            for check in REGISTRY {
                assert!(profile.checks.contains_key(check.id), "{name} lacks {}", check.id);
            }
            assert_eq!(profile.checks.len(), REGISTRY.len());
        }
    }

    #[test]
    fn a_wrong_check_is_named_with_the_nearest() {
        let text = BUILT_IN[0].1.replace("[checks.dark_area]", "[checks.dark_aria]");
        let message = Profile::parse(&text, "site.toml").unwrap_err().to_string();
        assert_eq!(message, "site.toml: checks.dark_aria is no check of tiltworth's; the nearest is dark_area");
    }

    #[test]
    fn a_wrong_key_is_placed() {
        let text = BUILT_IN[0].1.replace("few_tilts", "fewtilts");
        let message = Profile::parse(&text, "site.toml").unwrap_err().to_string();
        assert!(
            message.starts_with("site.toml: line ")
                && message.ends_with("fewtilts is no key here; the nearest is few_tilts"),
            "{message}"
        );
    }

    #[test]
    fn a_range_may_leave_one_end_open_and_no_more() {
        let of = |range: &str| Profile::parse(&BUILT_IN[0].1.replace("fail = [0.0, inf]", range), "site.toml");
        let open = of("fail = [0.0, inf]").unwrap().checks["tilt_geometry"].fail;
        assert_eq!(open, Some(Term::Range([0.0, f64::INFINITY])));
        let limit = open.unwrap().evaluate(&yardsticks(None, 3.0)).unwrap();
        assert_eq!(serde_json::to_string(&limit).unwrap(), "[0.0,null]");
        assert_eq!(serde_json::from_str::<crate::record::Limit>("[0.0,null]").unwrap(), limit);
        for (range, part) in [
            ("fail = [-inf, inf]", "both ends open"),
            ("fail = [2.0, 1.0]", "is empty"),
            ("fail = inf", "no finite number"),
        ] {
            let message = of(range).unwrap_err().to_string();
            assert!(message.starts_with("site.toml: checks.tilt_geometry: ") && message.contains(part), "{message}");
        }
    }

    fn yardsticks(step_deg: Option<f64>, resolution_nm: f64) -> Yardsticks {
        Yardsticks {
            step_deg,
            resolution_nm,
            wanted_defocus_um: Some(4.0),
            wavelength_nm: Some(0.001_968_749),
            pixel_nm: None,
            reserve_for_range: None,
        }
    }

    #[test]
    fn terms_of_focus_hang_on_wanted_defocus_and_resolution() {
        let text =
            "a = { wanted_defocus_times = 0.2, at_least = 0.5 }\nb = { resolution_squared_over_4_wavelengths = 1.0 }";
        let terms = toml::from_str::<BTreeMap<String, Term>>(text).unwrap();
        assert_eq!(terms["a"].number(&yardsticks(None, 2.0)), Some(0.8));
        // 2 nm at 300 kV: 0.508 µm.
        assert!((terms["b"].number(&yardsticks(None, 2.0)).unwrap() - 0.507_937).abs() < 1e-6);
        let unknown = Yardsticks { wanted_defocus_um: None, wavelength_nm: None, ..yardsticks(None, 2.0) };
        assert_eq!((terms["a"].number(&unknown), terms["b"].number(&unknown)), (None, None));
    }

    #[test]
    fn the_larger_term_counts() {
        let term: Term = toml::from_str::<BTreeMap<String, Term>>("x = { steps = 2.5, at_least = 5.0 }").unwrap()["x"];
        let at = |step_deg| term.number(&yardsticks(step_deg, 3.0));
        assert_eq!((at(Some(1.0)), at(Some(3.0)), at(None)), (Some(5.0), Some(7.5), None));
    }

    #[test]
    fn the_reserve_for_the_range_stands_in_for_a_figure_where_it_is_known() {
        let text = "x = { reserve_for_range = 1.0, where_unknown = 1.5 }";
        let term: Term = toml::from_str::<BTreeMap<String, Term>>(text).unwrap()["x"];
        let at = |reserve_for_range| term.number(&Yardsticks { reserve_for_range, ..yardsticks(None, 3.0) });
        assert_eq!((at(None), at(Some(1.2)), at(Some(2.01))), (Some(1.5), Some(1.2), Some(2.01)));
    }
}
