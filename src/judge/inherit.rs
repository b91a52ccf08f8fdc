//! A facility's own profile on top of another: `extends = "resin-section"`, or another file beside it. Tables are laid over
//! each other key by key, so that a profile need state only what differs.

use crate::judge::profile::{BUILT_IN, ProfileError};
use std::path::Path;
use toml::{Table, Value};

/// Profiles that extend each other in a circle end here.
const DEEPEST: usize = 8;

/// The whole profile that a text stands for, and the texts that it was made from, the outermost first. `None` where the
/// text extends nothing.
///
/// # Errors
/// The profile that is extended is neither built in nor a file; the chain is too long.
pub fn whole(text: &str, origin: &str) -> Result<Option<(Table, Vec<String>)>, ProfileError> {
    let Ok(mut table) = toml::from_str::<Table>(text) else { return Ok(None) };
    if !table.contains_key("extends") {
        return Ok(None);
    }
    let mut texts = vec![text.to_owned()];
    let mut origin = origin.to_owned();
    while let Some(base) = table.remove("extends") {
        let wrong = |fault: String| ProfileError {
            origin: origin.clone(),
            fault,
            remedy: "name a built-in profile (`tiltworth profile list`) or a file beside this one".into(),
        };
        let Value::String(base) = base else { return Err(wrong(format!("extends is {base}, which is no name"))) };
        if texts.len() == DEEPEST {
            return Err(wrong(format!("more than {DEEPEST} profiles extend each other")));
        }
        let (base_text, base_origin) =
            read(&base, &origin).map_err(|why| wrong(format!("extends \"{base}\": {why}")))?;
        let mut below: Table = toml::from_str(&base_text)
            .map_err(|error| wrong(format!("extends \"{base}\", which cannot be read ({})", error.message())))?;
        lay_over(&mut below, table);
        texts.push(base_text);
        (table, origin) = (below, base_origin);
    }
    Ok(Some((table, texts)))
}

fn read(base: &str, origin: &str) -> Result<(String, String), String> {
    if let Some((name, text)) = BUILT_IN.iter().find(|(name, _)| *name == base) {
        return Ok(((*text).to_owned(), (*name).to_owned()));
    }
    let path = Path::new(origin).parent().unwrap_or(Path::new("")).join(base);
    let text = std::fs::read_to_string(&path).map_err(|error| error.to_string())?;
    Ok((text, path.display().to_string()))
}

/// What `above` states replaces what `below` states; tables are merged. A limit that is a table is replaced whole.
fn lay_over(below: &mut Table, above: Table) {
    for (key, value) in above {
        match (below.get_mut(&key), value) {
            (Some(Value::Table(under)), Value::Table(over)) if !is_limit(&key) => lay_over(under, over),
            (_, value) => {
                below.insert(key, value);
            }
        }
    }
}

fn is_limit(key: &str) -> bool {
    matches!(key, "caution" | "fail" | "largest_gap")
}

#[cfg(test)]
mod tests {
    use crate::judge::Profile;
    use crate::judge::profile::Yardsticks;
    use crate::record::{Limit, Specimen};

    fn limit(profile: &Profile, check: &str) -> (Option<Limit>, Option<Limit>) {
        let yardsticks = Yardsticks {
            step_deg: Some(2.0),
            resolution_nm: 3.0,
            wanted_defocus_um: None,
            wavelength_nm: None,
            pixel_nm: None,
            reserve_for_range: None,
        };
        let limits = &profile.checks[check];
        let number = |term: &Option<crate::judge::profile::Term>| term.and_then(|term| term.evaluate(&yardsticks));
        (number(&limits.caution), number(&limits.fail))
    }

    #[test]
    fn what_differs_is_all_that_is_stated() {
        let own = "name = \"cold room\"\nextends = \"resin-section\"\n[checks.saturation]\nfail = 2e-3\n\
                   [checks.tilt_gap]\nfail = 9.0\n[checks.dark_area]\nfail = \"never\"\n\
                   excludes = \"never\"\n[left]\ntilts = 21\n";
        let profile = Profile::parse(own, "own.toml").unwrap();
        let base = Profile::find(Some("resin-section"), Specimen::Other).unwrap();
        assert_eq!(
            (profile.name.as_str(), profile.left.tilts, profile.left.range_deg),
            ("cold room", 21, base.left.range_deg)
        );
        assert_eq!(limit(&profile, "saturation"), (Some(Limit::One(1e-4)), Some(Limit::One(2e-3))));
        assert_eq!(limit(&profile, "tilt_gap"), (limit(&base, "tilt_gap").0, Some(Limit::One(9.0))));
        assert_eq!(limit(&profile, "dark_area"), (limit(&base, "dark_area").0, None));
        assert_eq!(profile.checks["dark_area"].excludes, None);
        assert_ne!(profile.sha256, base.sha256);
    }

    #[test]
    fn a_chain_of_files_is_followed_and_a_circle_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
        write("house.toml", "name = \"house\"\nextends = \"vitrified\"\nresolution_nm = 1.5\n");
        write("night.toml", "name = \"night\"\nextends = \"house.toml\"\n");
        write("circle.toml", "name = \"circle\"\nextends = \"circle.toml\"\n");
        let find = |name: &str| Profile::find(Some(&folder.path().join(name).to_string_lossy()), Specimen::Other);
        let night = find("night.toml").unwrap();
        assert_eq!((night.name.as_str(), night.resolution_nm), ("night", 1.5));
        assert!(find("circle.toml").unwrap_err().to_string().contains("more than 8 profiles extend each other"));
        write("lost.toml", "name = \"lost\"\nextends = \"gone.toml\"\n");
        assert!(find("lost.toml").unwrap_err().to_string().contains("extends \"gone.toml\": No such file"));
    }

    #[test]
    fn a_wrong_key_is_named_with_the_nearest() {
        let message = |text: &str| Profile::parse(text, "own.toml").unwrap_err().to_string();
        let own = message("name = \"x\"\nextends = \"resin-section\"\n[left]\nfew_tilt = 9\n");
        assert_eq!(own, "own.toml: line 4: few_tilt is no key here; the nearest is few_tilts");
        let check = message("name = \"x\"\nextends = \"resin-section\"\n[checks.saturation]\nexcluded = \"hard\"\n");
        assert_eq!(check, "own.toml: line 4: excluded is no key here; the nearest is excludes");
    }
}
