//! The report in a real browser: opens from disk, asks for nothing, makes no error, fits every width, runs no script out of
//! a file; wherever a tilt is chosen, all else follows.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/browser.rs"]
mod browser;

use browser::{driven, hostile, page, root, skipped};
use serde_json::{Value, json};
use std::path::Path;

fn look(page: &Path) -> Value {
    driven(Path::new("python3"), "look.py", &[page])
}

fn explore(page: &Path) -> Value {
    driven(Path::new("python3"), "explore.py", &[page])
}

fn sound_everywhere(facts: &Value) {
    assert_eq!(facts["errors"], json!([]), "{}", facts["errors"]);
    assert_eq!(facts["requests_out"], json!([]));
    assert!(facts["requests"].as_u64().unwrap() > 0, "the page was not seen to load");
    for (width, overflow) in facts["overflow"].as_object().unwrap() {
        assert!(overflow.as_i64().unwrap() <= 0, "{width}: scrolls sideways by {overflow} px");
    }
    assert_ne!(facts["light_background"], facts["dark_background"]);
    assert!(facts["csp"].as_str().unwrap().starts_with("default-src 'none'"));
}

/// All parts of the page show one tilt, by its angle.
fn all_show(facts: &Value, at: u64, angle: &str) {
    assert_eq!((&facts["at"], &facts["angle"]), (&json!(at), &json!(angle)), "{facts}");
    assert_eq!(facts["row"], format!("row-{at}"));
    assert_eq!((&facts["rings"], &facts["picture"]), (&json!(at), &json!(true)));
    let readouts = facts["readouts"].as_array().unwrap();
    assert!(readouts.len() >= 8 && readouts.iter().all(|shown| *shown == angle), "{readouts:?}");
    assert_eq!(facts["markers"].as_u64().unwrap() as usize, readouts.len());
    assert!(facts["told"].as_str().unwrap().starts_with(angle), "{}", facts["told"]);
}

#[test]
fn a_report_opens_from_disk_and_pages_with_the_arrow_keys() {
    if skipped("browser") {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    let facts = look(&page(&root().join("demo-stacks/moss-leaf-hasty"), &[], out.path()));
    sound_everywhere(&facts);
    // 41 tilts: the one nearest zero is number 20 from 0.
    assert_eq!(facts["first"], "20");
    assert_eq!((&facts["after_right"], &facts["after_left"]), (&Value::from("21"), &Value::from("19")));
    assert_eq!((&facts["address"], &facts["from_address"]), (&Value::from("#tilt-19"), &Value::from("1")));
    assert_eq!((&facts["rows"], &facts["marked_rows"]), (&Value::from(41), &Value::from(1)));
    assert!(facts["plots_over_tilt"].as_u64().unwrap() >= 8 && facts["picture"].as_u64().unwrap() > 100);
    assert_eq!(facts["markers"].as_u64(), facts["plots_over_tilt"].as_u64().map(|plots| plots + 1), "the fan too");
}

#[test]
fn wherever_a_tilt_is_chosen_all_else_follows() {
    if skipped("browser") {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    let facts = explore(&page(&root().join("demo-stacks/moss-leaf-hasty"), &[], out.path()));
    assert_eq!(facts["errors"], json!([]), "{}", facts["errors"]);
    all_show(&facts["start"], 20, "0.0°");
    all_show(&facts["by_strip"], 17, "−9.0°");
    // The plot's plane ends well right of nine tenths of its drawing: that is a tilt on the far side.
    assert!(facts["hovered"].as_str().unwrap().starts_with("+5"), "{}", facts["hovered"]);
    assert!(facts["hovered"].as_str().unwrap().contains("Mean counts 6"), "{}", facts["hovered"]);
    assert_eq!(facts["hover_leaves_choice"], 17);
    let by_plot = facts["by_plot"]["at"].as_u64().unwrap();
    assert!((36..=40).contains(&by_plot));
    all_show(&facts["by_plot"], by_plot, facts["by_plot"]["angle"].as_str().unwrap());
    assert!(facts["by_plot"]["figures"].as_str().unwrap().contains("Underfocus"));
    assert_eq!(facts["by_plot"]["seams"], 4, "the seams of a montage of 2 × 2");
    assert_eq!((&facts["by_fan"], &facts["by_table"]), (&json!(20), &json!(3)));
    assert_eq!(facts["viewer_in_sight"], true);
    assert_eq!(facts["minima"], json!([true, false]));
    assert!(facts["over_the_table_px"].as_f64().unwrap() <= 0.0, "{}", facts["over_the_table_px"]);
    assert_eq!(
        facts["keys"],
        json!({"Home": 0, "PageDown": 5, "ArrowRight": 6, "End": 40, "PageUp": 35, "ArrowLeft": 34})
    );
    let reached: Vec<&str> = facts["reached"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    for control in ["window", "play", "rate", "fit", "before", "after", "show-seams", "tilt-20"] {
        assert!(reached.contains(&control), "{control} cannot be reached by the tabulator: {reached:?}");
    }
    let hash = facts["address_of_view"].as_str().unwrap();
    assert!(hash.starts_with("#tilt-0&zoom=5.06,"), "{hash}");
    // The address holds three decimals of the picture's side.
    assert!(facts["panned"] == true && facts["view_off_px"].as_f64().unwrap() < 5.0, "{}", facts["view_off_px"]);
    assert_eq!((&facts["zoomed"][1], &facts["whole_again"]), (&json!("window zoomed"), &json!("window")));
    assert_eq!(facts["flickered"].as_array().unwrap().len(), 2, "{}", facts["flickered"]);
    assert_eq!(facts["flicker_address"], "#tilt-0&beside=1");
    let (tilts, seconds) = (facts["played"][0].as_f64().unwrap(), facts["played"][1].as_f64().unwrap());
    assert!(tilts >= 3.0 && tilts <= 10.0 * (seconds + 1.0), "{tilts} tilts in {seconds} s at ten a second");
    assert_eq!((&facts["stays_stopped"], &facts["swiped"]), (&json!(true), &json!(1)));
}

#[test]
fn record_table_and_plots_can_be_taken_along_and_the_page_stands_without_its_script() {
    if skipped("browser") {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    let page = page(&root().join("demo-stacks/moss-leaf-hasty"), &[], out.path());
    let facts = explore(&page);
    assert_eq!(facts["saved_names"], json!(["counts-against-tilt.svg", "moss-leaf-hasty-record.json"]));
    assert_eq!(facts["saved_record"], "moss-leaf-hasty");
    let svg = &facts["saved_svg"];
    assert!(
        svg["start"].as_str().unwrap().starts_with("<svg xmlns=") || svg["start"].as_str().unwrap().starts_with("<svg")
    );
    assert_eq!((&svg["variables"], &svg["laid"]), (&json!(0), &json!(0)), "{svg}");
    let copied: Vec<Vec<&str>> =
        facts["copied"].as_str().unwrap().lines().map(|line| line.split('\t').collect()).collect();
    assert_eq!(copied.len(), 42);
    assert!(copied.iter().all(|row| row.len() == copied[0].len()));
    let csv = std::fs::read_to_string(page.with_file_name("tilts.csv")).unwrap();
    for (row, line) in copied[1..].iter().zip(csv.lines().skip(1)) {
        let (shown, kept): (f64, f64) = (row[0].parse().unwrap(), line.split(',').next().unwrap().parse().unwrap());
        assert!((shown - kept).abs() < 0.051, "{shown} {kept}");
    }
    let plain = &facts["plain"];
    assert_eq!((&plain["bench"], &plain["marked"], &plain["rows"]), (&json!(true), &json!(0), &json!(41)));
    assert!(plain["overflow"].as_i64().unwrap() <= 0);
    let text = plain["text"].as_str().unwrap();
    for fact in ["Reconstruct without 5 of 41 tilts", "Largest gap left", "Every tilt in numbers", "does not replace"] {
        assert!(text.contains(fact), "{fact}");
    }
}

/// A series of one tile without any fact but its angles, whose strings attack the page.
#[test]
fn hostile_strings_are_text_and_missing_facts_are_no_errors() {
    if skipped("browser") {
        return;
    }
    let out = tempfile::tempdir().unwrap();
    let (folder, evil) = hostile(out.path());
    let page = page(&folder, &[], out.path());
    let text = std::fs::read_to_string(&page).unwrap();
    assert!(!text.contains("<script>window.planted") && !text.contains("<img src=x") && !text.contains("<b onclick"));
    let facts = look(&page);
    sound_everywhere(&facts);
    assert_eq!(facts["planted_script_ran"], false);
    assert!(facts["title"].as_str().unwrap().starts_with("</title></script><script>window.planted=1</script>"));
    let facts = explore(&page);
    assert_eq!(facts["errors"], json!([]), "{}", facts["errors"]);
    // What was not measured is said to be, with the reason, wherever a tilt is told of.
    let told = facts["by_strip"]["figures"].as_str().unwrap();
    assert!(told.contains("Underfocusnot measured: the voltage (instrument.kv) is not stated"), "{told}");
    let shown = facts["plain"]["text"].as_str().unwrap();
    assert_eq!(
        shown.matches(evil.as_str()).count(),
        4,
        "title, session, microscope and heading stand as they were written"
    );
    assert!(shown.contains("<b onclick=x>\u{202e}.mrc"));
    assert_eq!(facts["unbounded"], json!([]), "what turns the direction of writing ends with its own string");
}
