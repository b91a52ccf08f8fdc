//! Geometry and statistics hold what must hold for any numbers: maps undo each other, areas and directions do not hang on who
//! is asked first, moments and fits follow their data when these are moved and stretched.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use proptest::prelude::*;
use tiltworth::numerics::affine::{self, Affine};
use tiltworth::numerics::control::counts::{Law, normal_below, quantile};
use tiltworth::numerics::control::individuals::Baseline;
use tiltworth::numerics::moments::Moments;
use tiltworth::numerics::placement::{Link, place};
use tiltworth::numerics::polygon::{area, clip};
use tiltworth::numerics::regression;
use tiltworth::physics::pyramid::{Range, missing_fraction};
use tiltworth::physics::tilt::{elongation_factor, missing_wedge_fraction, path_factor};

fn near(a: f64, b: f64, within: f64) -> bool {
    (a - b).abs() <= within
}

/// A turn, a scale and a shift as they occur between pictures.
fn map() -> impl Strategy<Value = Affine> {
    (-3.1f64..3.1, 0.5f64..2.0, -500.0f64..500.0, -500.0f64..500.0)
        .prop_map(|(turn, scale, x, y)| Affine::turned(turn, scale, [x, y]))
}

fn rectangle() -> impl Strategy<Value = Vec<[f64; 2]>> {
    (map(), 1.0f64..400.0, 1.0f64..400.0)
        .prop_map(|(map, w, h)| [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]].map(|corner| map.at(corner)).to_vec())
}

fn range() -> impl Strategy<Value = Range> {
    (0.0f64..85.0, 0.0f64..85.0).prop_map(|(low, high)| Range { min_deg: -low, max_deg: high })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_map_and_its_way_back_undo_each_other(first in map(), second in map(), x in -1e3f64..1e3, y in -1e3f64..1e3) {
        let there = first.at([x, y]);
        let back = first.back().unwrap().at(there);
        prop_assert!(near(back[0], x, 1e-8) && near(back[1], y, 1e-8), "{back:?}");
        let (both, one_by_one) = (second.after(&first).at([x, y]), second.at(there));
        prop_assert!(near(both[0], one_by_one[0], 1e-8) && near(both[1], one_by_one[1], 1e-8));
        let turn = (first.turn_rad() + second.turn_rad() - second.after(&first).turn_rad()).rem_euclid(std::f64::consts::TAU);
        prop_assert!(turn.min(std::f64::consts::TAU - turn) < 1e-9, "{turn}");
        prop_assert!(near(second.after(&first).scale(), first.scale() * second.scale(), 1e-9));
    }

    #[test]
    fn a_map_is_found_from_its_pairs_though_some_are_wrong(
        planted in map(),
        wrong in 0usize..5,
        off in (-300.0f64..300.0, 20.0f64..300.0),
    ) {
        let from: Vec<[f64; 2]> = (0..24u32).map(|k| [f64::from(k % 6) * 60.0, f64::from(k / 6) * 75.0]).collect();
        let mut to: Vec<[f64; 2]> = from.iter().map(|&point| planted.at(point)).collect();
        for at in 0..wrong {
            let place = &mut to[at * 5 + 1];
            *place = [place[0] + off.0, place[1] + off.1];
        }
        let fit = affine::fit(&from, &to, &[1.0; 24]).unwrap();
        prop_assert_eq!(fit.used.iter().filter(|used| !**used).count(), wrong);
        let (found, expected) = (fit.map.at([123.0, 45.0]), planted.at([123.0, 45.0]));
        prop_assert!(near(found[0], expected[0], 1e-6) && near(found[1], expected[1], 1e-6), "{found:?} {expected:?}");
    }

    #[test]
    fn what_two_fields_share_does_not_hang_on_who_is_asked(a in rectangle(), b in rectangle(), moved in map()) {
        let common = area(&clip(&a, &b));
        prop_assert!(near(common, area(&clip(&b, &a)), 1e-6 * area(&a).max(area(&b))));
        prop_assert!(common >= -1e-9 && common <= area(&a).min(area(&b)) * (1.0 + 1e-9));
        prop_assert!(near(area(&clip(&a, &a)), area(&a), 1e-6 * area(&a)));
        let both = |polygon: &[[f64; 2]]| polygon.iter().map(|&corner| moved.at(corner)).collect::<Vec<_>>();
        let there = area(&clip(&both(&a), &both(&b)));
        let scale = moved.scale().powi(2);
        prop_assert!(near(there, common * scale, 1e-6 * scale * area(&a).max(area(&b))), "{there} {common}");
    }

    #[test]
    fn places_are_found_from_differences_that_agree_whatever_they_weigh(
        places in prop::collection::vec((-1e3f64..1e3, -1e3f64..1e3), 2..12),
        weights in prop::collection::vec(1e-3f64..1e3, 40),
        extra in prop::collection::vec((0usize..12, 0usize..12), 0..20),
    ) {
        let n = places.len();
        let chain = (1..n).map(|at| (at, at * 7 % at.max(1)));
        let further = extra.into_iter().map(|(a, b)| (a % n, b % n)).filter(|(a, b)| a != b);
        let links: Vec<Link> = chain
            .chain(further)
            .zip(&weights)
            .map(|((from, to), &weight)| Link {
                from,
                to,
                difference: [places[to].0 - places[from].0, places[to].1 - places[from].1],
                weight: [weight, 1.0 / weight],
            })
            .collect();
        let found = place(n, &links, 0);
        for (at, found) in found.iter().enumerate() {
            let found = found.unwrap();
            let expected = [places[at].0 - places[0].0, places[at].1 - places[0].1];
            prop_assert!(near(found[0], expected[0], 1e-4) && near(found[1], expected[1], 1e-4), "{at}: {found:?} {expected:?}");
        }
    }

    #[test]
    fn more_tilts_never_see_less(low in 0.0f64..89.0, more in 0.0f64..1.0) {
        let wider = low + more * (90.0 - low);
        prop_assert!(missing_wedge_fraction(-wider, wider) <= missing_wedge_fraction(-low, low) + 1e-12);
        if let (Some(narrow), Some(wide)) = (elongation_factor(low), elongation_factor(wider)) {
            prop_assert!(wide <= narrow + 1e-9 && wide >= 1.0 - 1e-9);
        }
        prop_assert!(path_factor(low) >= 1.0 && near(path_factor(low), path_factor(-low), 1e-12));
    }

    #[test]
    fn moments_follow_their_values(
        values in prop::collection::vec(-1e4f64..1e4, 1..200),
        at in 0usize..200,
        by in -1e5f64..1e5,
        times in 0.01f64..100.0,
    ) {
        let of = |values: &[f64]| Moments::of(values.iter().copied());
        let whole = of(&values);
        let (left, right) = values.split_at(at % (values.len() + 1));
        let merged = of(left).merged(&of(right));
        prop_assert_eq!(merged.n, whole.n);
        prop_assert!(near(merged.mean, whole.mean, 1e-8) && near(merged.m2, whole.m2, 1e-9 * whole.m2 + 1e-6));
        let other: Vec<f64> = values.iter().map(|value| times * value + by).collect();
        let other = of(&other);
        prop_assert!(near(other.mean, times * whole.mean + by, 1e-8 * (times * 1e4 + by.abs())));
        prop_assert!(near(other.sd().unwrap(), times * whole.sd().unwrap(), 1e-6 * times * 1e4));
    }

    #[test]
    fn a_fit_follows_what_is_added_to_its_data(
        noise in prop::collection::vec(-1.0f64..1.0, 6..40),
        a in -100.0f64..100.0,
        b in -100.0f64..100.0,
        weight in 0.1f64..10.0,
    ) {
        let n = noise.len();
        let x: Vec<f64> = (0..n).map(|k| k as f64 - 2.5).collect();
        let ones = vec![1.0; n];
        let line: Vec<f64> = x.iter().zip(&noise).map(|(x, noise)| a + b * x + noise).collect();
        let of_noise = regression::fit(&[&ones, &x], &noise, None).unwrap();
        let of_line = regression::fit(&[&ones, &x], &line, None).unwrap();
        prop_assert!(near(of_line.coefficients[0], of_noise.coefficients[0] + a, 1e-8));
        prop_assert!(near(of_line.coefficients[1], of_noise.coefficients[1] + b, 1e-8));
        prop_assert!(near(of_line.residual_sd, of_noise.residual_sd, 1e-7));
        // What is left over has nothing along the columns.
        let left = |k: usize| line[k] - of_line.coefficients[0] - of_line.coefficients[1] * x[k];
        prop_assert!((0..n).map(left).sum::<f64>().abs() < 1e-6 && (0..n).map(|k| left(k) * x[k]).sum::<f64>().abs() < 1e-5);
        // One weight for all changes neither line nor errors of the line.
        let weighted = regression::fit(&[&ones, &x], &line, Some(&vec![weight; n])).unwrap();
        prop_assert!(near(weighted.coefficients[1], of_line.coefficients[1], 1e-8));
        prop_assert!(near(weighted.standard_errors[1], of_line.standard_errors[1], 1e-8));
    }

    #[test]
    fn limits_move_and_stretch_with_a_figure(
        values in prop::collection::vec(-10.0f64..10.0, 3..40),
        by in -1e3f64..1e3,
        times in 0.1f64..10.0,
    ) {
        let other: Vec<f64> = values.iter().map(|value| times * value + by).collect();
        let (one, two) = (Baseline::of(&[&values]).unwrap(), Baseline::of(&[&other]).unwrap());
        for (limit, moved) in one.limits().into_iter().zip(two.limits()) {
            prop_assert!(near(moved, times * limit + by, 1e-8 * (1.0 + by.abs())));
        }
        prop_assert!(near(two.range_limit(), times * one.range_limit(), 1e-8 * (1.0 + by.abs())));
    }

    #[test]
    fn a_larger_count_has_a_larger_score_and_lies_less_within(
        law in prop::sample::select(vec![Law::Share, Law::Number]),
        n in 1u64..200,
        rate in 0.001f64..0.6,
        x in 0u64..199,
    ) {
        let x = x.min(n - 1);
        prop_assert!(law.score(x + 1, n, rate) >= law.score(x, n, rate) - 1e-9);
        let (below, above) = law.tails(x, n, rate);
        prop_assert!((0.0..=1.0).contains(&below) && (0.0..=1.0).contains(&above) && below + above <= 1.0 + 1e-9);
        let (low, high) = law.limits(n, rate, 3.0);
        prop_assert!(low.unwrap_or(0) <= high && law.score(high, n, rate) <= 3.0 + 1e-9 || high == (rate * n as f64) as u64);
        prop_assert!(near(normal_below(quantile(rate)), rate, 1e-12));
    }
}

proptest! {
    // Each case is an integral of some ten thousand steps.
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn directions_seen_do_not_hang_on_names_or_on_the_sense_of_a_turn(
        a in range(),
        b in range(),
        between in 0.0f64..180.0,
        more in 0.0f64..5.0,
    ) {
        let missing = missing_fraction(a, b, between);
        prop_assert!((-1e-9..=1.0 + 1e-9).contains(&missing));
        prop_assert!(near(missing, missing_fraction(b, a, between), 1e-6));
        let wider = Range { min_deg: a.min_deg - more, max_deg: a.max_deg + more };
        prop_assert!(missing_fraction(wider, b, between) <= missing + 1e-7);
        // A second series about the same axis over the same tilts shows nothing new: the wedge is left.
        let alone = missing_fraction(a, a, 0.0);
        prop_assert!(near(alone, missing_wedge_fraction(a.min_deg, a.max_deg), 1e-6), "{alone}");
    }
}
