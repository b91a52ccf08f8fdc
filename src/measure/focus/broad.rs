//! Do the tilts of a series agree that there are rings at all?
//!
//! Focus does not go to and fro by micrometres from tilt to tilt. Where as many tilts show one broad ring as show
//! several, and these are few, noise has tipped the scales, and the few are that broad ring too. Where hardly any tilt shows
//! rings, and those only few, they are what structures look like at some angle.

use crate::measure::focus::second::LEAST_MINIMA;
use crate::measure::focus::tilt::TiltFocus;
use crate::measured::NotMeasured;

/// Fewer than one tilt in so many with rings are hardly any.
const HARDLY_ANY: usize = 4;

/// Takes the figures from tilts of few rings where at least as many others show one broad ring, or most others none at all.
pub fn doubt(tilts: &mut [TiltFocus]) {
    let few =
        |tilt: &TiltFocus| tilt.figures.is_ok() && tilt.rings.as_ref().is_some_and(|rings| rings.minima < LEAST_MINIMA);
    let broad = tilts.iter().filter(|tilt| tilt.broad_um.is_some()).count();
    let measured = tilts.iter().filter(|tilt| few(tilt)).count();
    let all = tilts.iter().filter(|tilt| tilt.figures.is_ok()).count();
    let beside = if measured > 0 && broad >= measured {
        format!("{broad} tilts beside it show one broad ring, as of an underfocus too small for these pixels")
    } else if measured > 0 && all == measured && HARDLY_ANY * measured < tilts.len() {
        format!("{} tilts beside it show none", tilts.len() - measured)
    } else {
        return;
    };
    let why = NotMeasured::because(format!("it shows few rings, and {beside}"));
    for tilt in tilts.iter_mut().filter(|tilt| few(tilt)) {
        tilt.figures = Err(why.clone());
        tilt.tiles.iter_mut().for_each(|tile| *tile = Err(why.clone()));
        tilt.gradient = None;
        tilt.off_tiles.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::focus::agreement::Rings;
    use crate::measure::focus::figures::Figures;

    fn tilt(minima: Option<usize>) -> TiltFocus {
        let none = TiltFocus::none("one broad ring", 1);
        let Some(minima) = minima else { return TiltFocus { broad_um: Some(2.4), ..none } };
        let figures = Figures { defocus_um: 5.6, error_um: 0.1, astigmatism: None, agreement: 0.8, rings_to_nm: 3.0 };
        let no = Vec::new;
        let rings = Rings {
            measured: no(),
            fitted: no(),
            weight: no(),
            phase: no(),
            frequency: no(),
            band: (0, 1),
            agreement: 0.8,
            minima,
            strong: 2,
        };
        TiltFocus { figures: Ok(figures), tiles: vec![Ok(figures)], rings: Some(rings), ..none }
    }

    #[test]
    fn few_rings_at_hardly_any_tilt_are_doubted() {
        let with_none = |minima: &[Option<usize>]| {
            let mut tilts: Vec<TiltFocus> = minima.iter().map(|minima| tilt(*minima)).collect();
            tilts.extend((0..7).map(|_| TiltFocus::none("no rings", 1)));
            doubt(&mut tilts);
            tilts.iter().filter(|tilt| tilt.figures.is_ok()).count()
        };
        assert_eq!(with_none(&[Some(2), Some(2)]), 0);
        assert_eq!(with_none(&[Some(2), Some(3), Some(2)]), 3, "three of ten");
        assert_eq!(with_none(&[Some(2), Some(6)]), 2, "many rings vouch for few");
    }

    fn left(minima: &[Option<usize>]) -> usize {
        let mut tilts: Vec<TiltFocus> = minima.iter().map(|minima| tilt(*minima)).collect();
        doubt(&mut tilts);
        tilts.iter().filter(|tilt| tilt.figures.is_ok() && tilt.tiles[0].is_ok()).count()
    }

    #[test]
    fn few_rings_amid_broad_ones_are_doubted() {
        assert_eq!(left(&[Some(2), None, Some(3), None]), 0);
        assert_eq!(left(&[Some(2), Some(2), Some(3), None]), 3);
        assert_eq!(left(&[Some(6), None, Some(2), None]), 1);
        assert_eq!(left(&[Some(2), Some(2)]), 2);
    }
}
