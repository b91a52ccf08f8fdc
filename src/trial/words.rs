//! What a trial found, as a table for the terminal.

use crate::trial::curve::Reached;
use crate::trial::outcome::{CheckTrial, FaultTrial, Trial};

/// The table.
pub fn table(trial: &Trial) -> String {
    let mut text = format!(
        "profile {}: {} series, {} of them sound ({} tilts), seed {}\n\n{:<22} {:<24} {:>22} {:>22}  flagged on sound series\n",
        trial.profile,
        trial.series,
        trial.sound_series,
        trial.sound_tilts,
        trial.seed,
        "check",
        "fault",
        "half caught at",
        "95 % caught at"
    );
    for check in &trial.checks {
        let sound = sound(check);
        if check.faults.is_empty() {
            let why = check.not_tried.as_deref().unwrap_or_default();
            text += &format!("{:<22} not tried: {why}; {sound}\n", check.id);
        }
        for (at, fault) in check.faults.iter().enumerate() {
            let id = if at == 0 { check.id.as_str() } else { "" };
            let sound = if at == 0 { sound.as_str() } else { "" };
            let [half, most] = points(fault);
            text += &format!("{id:<22} {:<24} {half:>22} {most:>22}  {sound}\n", fault.name);
        }
    }
    text
}

/// The two points of a fault in words.
pub fn points(fault: &FaultTrial) -> [String; 2] {
    if let [only] = fault.steps.as_slice() {
        return [format!("{} of {} caught", only.caught, only.planted), String::new()];
    }
    [fault.half, fault.most].map(|point| point.map_or("not reached".into(), |point| reached(point, &fault.unit)))
}

fn reached(point: Reached, unit: &str) -> String {
    let unit = unit.split([',', ' ']).next().filter(|word| *word != "share").unwrap_or("");
    // An uncertainty beyond twice says that the strengths tried do not pin the point down.
    let spread =
        if point.factor < 2.0 { format!("±{:.0} %", 100.0 * (point.factor - 1.0)) } else { "uncertain".into() };
    format!("{} {unit} {spread}", figures(point.strength)).replace("  ", " ")
}

/// Two significant figures.
pub fn figures(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return "0".into();
    }
    let decimals = (1 - value.abs().log10().floor() as i32).clamp(0, 12) as usize;
    if value.abs() < 1e-3 { format!("{value:.1e}") } else { format!("{value:.decimals$}") }
}

/// How often a sound series was flagged.
pub fn sound(check: &CheckTrial) -> String {
    if check.sound_measured == 0 {
        return "not measured on sound series".into();
    }
    let [low, high] = check.sound_interval.map(|share| 100.0 * share);
    format!("{} of {} ({low:.0} to {high:.0} %)", check.sound_flagged, check.sound_measured)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_two() {
        let all = [0.0123, 1.26, 12.6, 126.0, 0.000_031].map(figures);
        assert_eq!(all, ["0.012", "1.3", "13", "126", "3.1e-5"]);
    }
}
