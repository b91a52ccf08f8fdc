//! A profile can be tried: strong faults are caught, weak ones are not, and what cannot be tried is said to be so.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use tiltworth::judge::Profile;
use tiltworth::record::Specimen;
use tiltworth::report::trial_page;
use tiltworth::trial::grid::{Mode, jobs, specimen};
use tiltworth::trial::{outcome::Trial, try_jobs, words};

/// The part of a trial that plants these faults.
fn part(profile: &Profile, names: &[&str]) -> Trial {
    let mut jobs = jobs(specimen(profile), Mode::Quick, 4_000);
    jobs.retain(|job| job.kind.is_some_and(|kind| names.contains(&kind.name)));
    try_jobs(profile, Mode::Quick, 4_000, jobs, &|_| (), &|| true).unwrap()
}

#[test]
fn the_points_lie_where_the_profile_puts_them() {
    let own = "name = \"hasty\"\nextends = \"resin-section\"\n[checks.acquisition_pause]\ncaution = 6.0\n";
    let profile = Profile::parse(own, "hasty.toml").unwrap();
    let trial = part(&profile, &["pause", "unreadable"]);
    let check = |id: &str| trial.checks.iter().find(|check| check.id == id).unwrap();
    let pause = &check("acquisition_pause").faults[0];
    for step in &pause.steps {
        assert_eq!(step.caught, if step.strength > 6.0 { step.planted } else { 0 }, "{step:?}");
    }
    let half = pause.half.unwrap().strength;
    assert!(half > 5.0 && half < 8.0, "half caught at {half} min");
    let unreadable = &check("unreadable_section").faults[0];
    assert_eq!(words::points(unreadable)[0], "1 of 1 caught");
    assert!(check("seam_residual").not_tried.as_deref().unwrap().contains("distortion"));
    let table = words::table(&trial);
    assert!(table.contains("acquisition_pause") && table.contains("not tried: what bends a seam"), "{table}");
    let page = trial_page(&trial, None).unwrap();
    assert!(page.contains("<svg class=\"plot\"") && page.contains("half caught at"));
    assert!(!page.contains("http:") && !page.contains("https:"), "nothing is loaded from outside");
}

#[test]
fn a_profile_with_a_critical_exposure_is_tried_on_vitrified_series() {
    let kind = |name: &str| specimen(&Profile::find(Some(name), Specimen::Other).unwrap());
    assert_eq!(kind("vitrified"), Specimen::Vitrified);
    assert_eq!(kind("resin-section"), Specimen::ResinSection);
}
