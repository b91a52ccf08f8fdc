//! The accuracy table: seams, distortion, steps, axis and height on simulated series with known truth.
//!
//! `cargo bench --bench accuracy` prints it; the figures of DEVELOPERS.md are its output. `cargo bench --bench accuracy
//! -- seams` (large, distortions, tracking) prints a part.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/accuracy.rs"]
mod accuracy;

use accuracy::{Errors, Plan, bent, jump, seam_bounds, seam_errors, steps};
use tiltworth::record::Record;
use tiltworth::simulate::truth::Truth;

fn main() {
    println!("| what | series | found | aim |\n| --- | --- | --- | --- |");
    let asked: Vec<String> = std::env::args().skip(1).filter(|arg| !arg.starts_with('-')).collect();
    let parts: [(&str, fn()); 4] =
        [("seams", seams), ("large", large), ("distortions", distortions), ("tracking", tracking)];
    for (name, part) in parts {
        if asked.is_empty() || asked.iter().any(|arg| arg == name) {
            part();
        }
    }
}

fn seam_row(name: &str, plans: &[Plan]) {
    let (mut all, mut missing, mut bounds) = (Errors::default(), 0, Errors::default());
    for plan in plans {
        bounds.0.extend(seam_bounds(&plan.recipe()).0);
        let (record, truth) = plan.assess();
        let (errors, lost) = seam_errors(&record, &truth);
        all.0.extend(errors.0);
        missing += lost;
    }
    println!(
        "| seam shift, px | {name} | median {:.3} (bound {:.3}), 95 % {:.3}, worst {:.2}; {} seams, {missing} not measured | \
         median 0.05, 95 % 0.2 |",
        all.quantile(0.5),
        bounds.quantile(0.5),
        all.quantile(0.95),
        all.quantile(1.0),
        all.0.len()
    );
}

/// Tiles of a real size, few tilts.
fn large() {
    let plan = |seed: u64, side_px: usize, overlap_px: usize, counts: f64| Plan {
        seed,
        tiles: (1, 3),
        side_px,
        overlap_px,
        scatter_px: 2.0,
        counts,
        range_deg: 40.0,
        step_deg: 20.0,
        ..Plan::default()
    };
    let ten: Vec<Plan> = (7..17).map(|seed| plan(seed, 1024, 128, 500.0)).collect();
    seam_row("1 × 3 of 1024², 128 px overlap, 500 counts", &ten);
    seam_row("1 × 3 of 1024², 128 px overlap, 7500 counts", &[plan(7, 1024, 128, 7500.0)]);
    seam_row("1 × 3 of 2048², 256 px overlap, 500 counts", &[plan(7, 2048, 256, 500.0)]);
}

fn seams() {
    let column = |seed, counts| Plan { seed, tiles: (1, 3), scatter_px: 1.5, counts, step_deg: 6.0, ..Plan::default() };
    for counts in [9000.0, 6000.0, 500.0] {
        seam_row(&format!("1 × 3 of 256², 40 px overlap, {counts:.0} counts"), &[column(1, counts), column(2, counts)]);
    }
    let wide = |counts| Plan {
        tiles: (1, 3),
        side_px: 512,
        overlap_px: 96,
        scatter_px: 1.5,
        counts,
        step_deg: 15.0,
        ..Plan::default()
    };
    for counts in [7500.0, 500.0] {
        seam_row(&format!("1 × 3 of 512², 96 px overlap, {counts:.0} counts"), &[wide(counts)]);
    }
    let square = Plan { seed: 3, tiles: (2, 2), overlap_px: 32, scatter_px: 3.5, step_deg: 10.0, ..Plan::default() };
    seam_row("2 × 2 of 256², places wrong by up to half of 32 px", &[square]);
    let thin = Plan {
        seed: 4,
        tiles: (1, 2),
        side_px: 512,
        overlap_px: 16,
        scatter_px: 1.3,
        step_deg: 12.0,
        ..Plan::default()
    };
    seam_row("1 × 2 of 512², 3 % overlap", &[thin]);
    let pattern =
        Plan { seed: 5, tiles: (2, 2), pattern: [0.03, 0.05], scatter_px: 1.5, step_deg: 10.0, ..Plan::default() };
    seam_row("2 × 2 of 256², gain of pixels 3 %, of columns 5 %", &[pattern]);
}

/// A whole wave has √½ of its amplitude as root mean square.
fn distortion_row(name: &str, amplitude: f64, plans: &[Plan]) {
    let (mut found, mut all) = (Errors::default(), 0);
    for plan in plans {
        let (record, _) = plan.assess();
        for tilt in &record.tilts {
            for seam in tilt.seams.iter().flatten().filter(|seam| seam.to[1] == plan.tiles.1 - 1) {
                all += 1;
                let Some(ratio) = seam.distortion_rms_px.map(|rms| rms * 2f64.sqrt() / amplitude) else { continue };
                if !(0.85..=1.15).contains(&ratio) {
                    println!("{name}: {ratio:.2} at {}° (seed {}, {} patches)", tilt.tilt_deg, plan.seed, seam.patches);
                }
                found.0.push(ratio);
            }
        }
    }
    let of = |q: f64| if found.0.is_empty() { f64::NAN } else { found.quantile(q) };
    println!(
        "| distortion found over planted | {name} | {} of {all} seams, median {:.2}, {:.2} to {:.2} | 0.85 to 1.15 |",
        found.0.len(),
        of(0.5),
        of(0.0),
        of(1.0)
    );
}

fn distortions() {
    let tilts: Vec<f64> = (-5..=5).map(|i| 12.0 * f64::from(i)).collect();
    for (amplitude, counts, side_px, overlap_px) in [
        (1.0, 7500.0, 384, 64),
        (2.0, 7500.0, 384, 64),
        (4.0, 7500.0, 384, 64),
        (2.0, 500.0, 384, 64),
        (2.0, 500.0, 1024, 128),
        (4.0, 500.0, 1024, 128),
        (2.0, 500.0, 2048, 256),
    ] {
        let plan = Plan {
            seed: 6,
            tiles: (1, 2),
            side_px,
            overlap_px,
            step_deg: 12.0,
            counts,
            faults: bent(&tilts, (0, 1), amplitude, 20.0, [1.0, 0.0]),
            ..Plan::default()
        };
        let name = format!("amplitude {amplitude} px in {side_px}², {overlap_px} px overlap, {counts:.0} counts");
        distortion_row(&name, amplitude, &[plan]);
    }
    // So steep that no patch keeps one shift.
    let steep = |(seed, direction_deg): (u64, f64)| Plan {
        seed,
        tiles: (1, 2),
        step_deg: 12.0,
        faults: bent(&tilts, (0, 1), 8.0, direction_deg, [1.0, 0.0]),
        ..Plan::default()
    };
    let plans: Vec<Plan> = [(61, 20.0), (62, 140.0), (63, 260.0)].into_iter().map(steep).collect();
    distortion_row("amplitude 8 px in 256², 40 px overlap, 7500 counts", 8.0, &plans);
}

/// A step is told from this on, in px: jumps of 4 px, less what tracking may miss of them.
const TOLD_PX: f64 = 3.2;

/// Jumps found and false steps that stand out of the uncertainty that the record states of them, as the check asks for;
/// prints what is wrong.
fn significant_steps(record: &Record, truth: &Truth) -> [usize; 2] {
    let mut counts = [0, 0];
    for tilt in &record.tilts {
        let truth = truth.tilts.iter().find(|truth| truth.order == tilt.order).unwrap();
        let jump = truth.jump_x_px.hypot(truth.jump_y_px);
        let Some(tracking) = tilt.tracking.as_ref() else { continue };
        let (Some(step), error) = (tracking.step_px, tracking.step_error_px.unwrap_or(0.0)) else { continue };
        let stands_out = step > TOLD_PX && step > SDS * error;
        counts[usize::from(jump == 0.0)] += usize::from(stands_out);
        if (jump > 0.0) != (step > TOLD_PX) {
            println!("{:+.1}°: step {step:.2} ± {error:.2} px, jump {jump:.2} px", tilt.tilt_deg);
        }
    }
    counts
}

/// As `checks.tracking_step` of the built-in profiles.
const SDS: f64 = 4.0;

fn tracking() {
    for (side_px, counts) in [(256, 7500.0), (256, 500.0), (512, 500.0)] {
        let (mut found, mut planted, mut false_steps, mut tilts) = (0, 0, 0, 0);
        let mut significant = [0, 0];
        let (mut axis, mut height, mut directions) = (Vec::new(), Vec::new(), Vec::new());
        for seed in 0..13u64 {
            let scheme = ["unidirectional", "bidirectional", "dose-symmetric"][seed as usize % 3];
            let at = |k: u64| 3.0 * (((seed * 7 + k * 13) % 37) as f64 - 18.0);
            let faults: String =
                (0..3).map(|k| jump(at(k), 4.0 + ((seed + 3 * k) % 8) as f64, (seed * 50 + 110 * k) as f64)).collect();
            let offsets_um = [-2.0 + 0.33 * seed as f64, 0.6 - 0.1 * seed as f64];
            let axis_deg = (seed as f64 * 29.0) % 360.0;
            let plan =
                Plan { seed: 20 + seed, side_px, faults, offsets_um, axis_deg, scheme, counts, ..Plan::default() };
            let (record, truth) = plan.assess();
            let (jumps, others) = steps(&record, &truth);
            let [sure, sure_false] = significant_steps(&record, &truth);
            significant = [significant[0] + sure, significant[1] + sure_false];
            planted += jumps.len();
            found += jumps.iter().filter(|step| **step > TOLD_PX).count();
            false_steps += others.iter().filter(|step| **step > TOLD_PX).count();
            tilts += record.tilts.len();
            let geometry = record.measures.geometry;
            if let Some(found) = geometry.as_ref().and_then(|g| g.axis_found_deg.zip(g.axis_found_error_deg)) {
                let off = (found.0 - axis_deg + 90.0).rem_euclid(180.0) - 90.0;
                directions.push((off, found.1));
            }
            if let Some(geometry) = geometry.filter(|geometry| geometry.measured) {
                let off = |found: Option<f64>, truth: f64| (found.unwrap() - truth, truth);
                axis.push(off(geometry.axis_offset_um, offsets_um[0]));
                height.push(off(geometry.height_offset_um, offsets_um[1]));
            }
        }
        println!(
            "| lone jumps of 4 to 11 px | {tilts} tilts of {side_px}², {counts:.0} counts | {found} of {planted} found, {false_steps} false \
             over {TOLD_PX} px; {} and {} beyond {SDS:.0} of their stated errors | all, 1 in 500 |",
            significant[0], significant[1]
        );
        let within = directions.iter().filter(|(off, _): &&(f64, f64)| off.abs() <= 2.0).count();
        let worst = directions.iter().map(|(off, _)| off.abs()).fold(0.0, f64::max);
        println!(
            "| direction of the axis, degrees | 13 series of {side_px}², {counts:.0} counts | found in {}, {within} within 2°, worst \
             error {worst:.1} | 2 |",
            directions.len()
        );
        for (name, errors, least, share) in [("axis offset", axis, 0.03, 0.03), ("height", height, 0.05, 0.05)] {
            let within = errors.iter().filter(|(off, truth)| off.abs() <= (share * truth.abs()).max(least)).count();
            let worst = errors.iter().map(|(off, _)| off.abs()).fold(0.0, f64::max);
            println!(
                "| {name}, µm | 13 series of {side_px}², {counts:.0} counts | {within} of {} within, worst error {worst:.3} | {least} or {:.0} \
                 % |",
                errors.len(),
                100.0 * share
            );
        }
    }
}
