//! What is left after exclusion, and whether that is worth a reconstruction.

use crate::judge::exclusion::{Decision, weighed_gap};
use crate::judge::profile::{Profile, Yardsticks};
use crate::record::{Coverage, Tilt};

/// The check whose failed tilts do not show what the others show, whether they are kept or not.
const OF_COMMON_FIELD: &str = "shared_area";

/// What is left after exclusion.
pub struct Left<'a> {
    /// All tilts.
    pub tilts: &'a [Tilt],
    /// Indices of those left out.
    pub out: &'a [usize],
    /// What was decided of the tilts that failed a check.
    pub decided: &'a [Decision],
    /// Coverage of the others.
    pub coverage: &'a Coverage,
    /// The rules.
    pub profile: &'a Profile,
    /// What their terms hang on.
    pub yardsticks: Yardsticks,
    /// Why the series will not align, where it will not.
    pub unaligned: Option<&'a str>,
}

impl Left<'_> {
    /// Tilts left.
    pub fn number(&self) -> usize {
        self.tilts.len() - self.out.len()
    }

    fn range(&self) -> f64 {
        self.coverage.max_deg - self.coverage.min_deg
    }

    /// What speaks against a reconstruction, each with its number and its limit.
    pub fn against(&self) -> Vec<String> {
        let left = &self.profile.left;
        let mut against: Vec<String> = self.unaligned.map(str::to_owned).into_iter().collect();
        if self.number() < left.tilts {
            against.push(format!("only {} tilts are left; at least {} are needed", self.number(), left.tilts));
        }
        let all = self.tilts.len().max(1) as f64;
        let share = self.number() as f64 / all;
        let percent = |share: f64| format!("{:.0} %", 100.0 * share);
        if share < left.share_of_tilts {
            let least = percent(left.share_of_tilts);
            against
                .push(format!("only {} of the recorded tilts are left; at least {least} are needed", percent(share)));
        } else {
            let elsewhere = |d: &&Decision| d.cause == OF_COMMON_FIELD && !self.out.contains(&d.tilt);
            let common = (self.number() - self.decided.iter().filter(elsewhere).count()) as f64 / all;
            if common < left.share_of_tilts {
                against.push(format!(
                    "only {} of the recorded tilts show the common field; at least {} are needed",
                    percent(common),
                    percent(left.share_of_tilts)
                ));
            }
        }
        if self.range() < left.range_deg {
            against.push(format!("only {:.0}° are left; at least {:.0}° are needed", self.range(), left.range_deg));
        }
        let gap = weighed_gap(self.tilts, self.out, self.profile, self.yardsticks);
        if let Some(limit) = left.largest_gap.number(&self.yardsticks).filter(|&limit| gap > limit) {
            against.push(format!(
                "the gaps that are left weigh {gap:.1}° (inside ±{:.0}° counted twice beyond a step); at most {limit:.1}° can \
                 be borne",
                left.centre_deg
            ));
        }
        against
    }

    /// Told where the tilts are few.
    pub fn few(&self) -> Option<String> {
        let few = self.number() < self.profile.left.few_tilts;
        few.then(|| {
            format!("{} tilts are few; {} or more give a smoother volume", self.number(), self.profile.left.few_tilts)
        })
    }

    /// What is left, in one sentence.
    pub fn sentence(&self) -> String {
        let coverage = self.coverage;
        let gap = coverage.largest_gap_deg.map(|gap| format!(", largest gap {gap:.1}°")).unwrap_or_default();
        let resolution = coverage
            .gap_resolution_nm
            .map(|nm| format!(", resolution by the largest gap {nm:.1} nm"))
            .unwrap_or_default();
        format!(
            "{} of {} tilts are left, {:+.1}° to {:+.1}°{gap}{resolution}",
            self.number(),
            self.tilts.len(),
            coverage.min_deg,
            coverage.max_deg
        )
    }
}
