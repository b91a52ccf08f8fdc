//! One of N shares of a manifest. Every worker works out the same shares by itself, from the manifest alone.

use super::manifest::Planned;
use std::cmp::Reverse;
use std::str::FromStr;

/// One of so many shares.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// Which, from 0.
    index: usize,
    /// Of how many.
    count: usize,
}

/// No share: what was given, fault and remedy.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{given}: {fault}; {remedy}")]
pub struct ShardError {
    given: String,
    fault: &'static str,
    remedy: &'static str,
}

impl FromStr for Shard {
    type Err = ShardError;

    /// Reads `I/N`, I from 1 to N.
    fn from_str(text: &str) -> Result<Self, ShardError> {
        let numbers = text.split_once('/').and_then(|(i, n)| Some((i.parse().ok()?, n.parse().ok()?)));
        match numbers {
            Some((i, count)) if (1..=count).contains(&i) => Ok(Self { index: i - 1, count }),
            _ => Err(ShardError {
                given: text.into(),
                fault: "it is no share",
                remedy: "write I/N with I from 1 to N, as 2/8",
            }),
        }
    }
}

impl Shard {
    /// The share of a task of a Slurm array; `None` outside of one. Arrays may begin anywhere and have a step, but no
    /// holes, as no task is told which of the others there are.
    ///
    /// # Errors
    /// An array with holes.
    pub fn of_slurm(variable: &dyn Fn(&str) -> Option<String>) -> Result<Option<Self>, ShardError> {
        let number = |name: &str| variable(name).and_then(|text| text.trim().parse::<usize>().ok());
        let Some(id) = number("SLURM_ARRAY_TASK_ID") else { return Ok(None) };
        let (least, step) = (number("SLURM_ARRAY_TASK_MIN"), number("SLURM_ARRAY_TASK_STEP").unwrap_or(1).max(1));
        let (Some(least), Some(count)) = (least, number("SLURM_ARRAY_TASK_COUNT")) else {
            return Err(ShardError {
                given: format!("array task {id}"),
                fault: "SLURM_ARRAY_TASK_MIN and SLURM_ARRAY_TASK_COUNT are not set",
                remedy: "give --shard I/N",
            });
        };
        let off = id.wrapping_sub(least);
        if id < least || !off.is_multiple_of(step) || off / step >= count {
            return Err(ShardError {
                given: format!("array task {id}"),
                fault: "the array has holes",
                remedy: "submit --array=1-N (a rerun skips what is done), or give --shard I/N",
            });
        }
        Ok(Some(Self { index: off / step, count }))
    }

    /// Which series of a manifest fall to this share, by their index: the heaviest first to the share that has least.
    pub fn of(&self, series: &[Planned]) -> Vec<usize> {
        let mut order: Vec<usize> = (0..series.len()).collect();
        order.sort_by_key(|&at| (Reverse(series[at].bytes), at));
        let mut loads = vec![(0u64, 0usize); self.count];
        let mut mine = Vec::new();
        for at in order {
            // Of equal loads the one with fewer series, then the first.
            let least = (0..self.count).min_by_key(|&shard| (loads[shard], shard)).unwrap_or(0);
            loads[least].0 = loads[least].0.saturating_add(series[at].bytes);
            loads[least].1 += 1;
            if least == self.index {
                mine.push(at);
            }
        }
        mine.sort_unstable();
        mine
    }
}

impl std::fmt::Display for Shard {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "{}/{}", self.index + 1, self.count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn planned(bytes: &[u64]) -> Vec<Planned> {
        let one = |(at, &bytes): (usize, &u64)| Planned {
            place: at.to_string(),
            source: "/in".into(),
            table: None,
            angles: None,
            bytes,
        };
        bytes.iter().enumerate().map(one).collect()
    }

    fn slurm(id: &str, min: &str, count: &str, step: &str) -> Result<Option<Shard>, ShardError> {
        Shard::of_slurm(&|name| {
            let value = match name {
                "SLURM_ARRAY_TASK_ID" => id,
                "SLURM_ARRAY_TASK_MIN" => min,
                "SLURM_ARRAY_TASK_COUNT" => count,
                "SLURM_ARRAY_TASK_STEP" => step,
                _ => "",
            };
            (!value.is_empty()).then(|| value.to_owned())
        })
    }

    #[test]
    fn shares_are_named_from_one_and_read_from_slurm() {
        assert_eq!("2/8".parse(), Ok(Shard { index: 1, count: 8 }));
        for wrong in ["0/8", "9/8", "1/0", "1", "a/b", "-1/2"] {
            assert!(wrong.parse::<Shard>().is_err(), "{wrong}");
        }
        assert_eq!(slurm("", "", "", ""), Ok(None));
        assert_eq!(slurm("5", "1", "8", ""), Ok(Some(Shard { index: 4, count: 8 })));
        assert_eq!(slurm("8", "0", "5", "4"), Ok(Some(Shard { index: 2, count: 5 })));
        // --array=1,3,17
        assert!(slurm("17", "1", "3", "1").unwrap_err().to_string().contains("has holes"));
        assert!(slurm("3", "1", "", "").is_err());
    }

    #[test]
    fn heavy_series_are_shared_out_first() {
        let series = planned(&[1, 1, 9, 1, 5, 4]);
        assert_eq!(Shard { index: 0, count: 2 }.of(&series), [0, 2, 3]);
        assert_eq!(Shard { index: 1, count: 2 }.of(&series), [1, 4, 5]);
    }

    proptest! {
        /// Together the shares hold every series once, and no share is heavier than another by more than one series.
        #[test]
        fn shares_together_are_the_whole(bytes in prop::collection::vec(0u64..1000, 0..60), count in 1usize..12) {
            let series = planned(&bytes);
            let shares: Vec<Vec<usize>> = (0..count).map(|index| Shard { index, count }.of(&series)).collect();
            let mut all = shares.concat();
            all.sort_unstable();
            prop_assert_eq!(all, (0..series.len()).collect::<Vec<_>>());
            let loads: Vec<u64> = shares.iter().map(|share| share.iter().map(|&at| bytes[at]).sum()).collect();
            let spread = loads.iter().max().unwrap() - loads.iter().min().unwrap();
            prop_assert!(spread <= bytes.iter().copied().max().unwrap_or(0));
        }
    }
}
