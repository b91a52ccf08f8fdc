//! Do the tilts of a series agree that there are rings at all?
//!
//! Focus does not go to and fro by micrometres from tilt to tilt. Where as many tilts show one broad ring as show
//! several, and these are few, noise has tipped the scales, and the few are that broad ring too.

use crate::measure::focus::second::LEAST_MINIMA;
use crate::measure::focus::tilt::TiltFocus;
use crate::measured::NotMeasured;

/// Takes the figures from tilts of few rings where at least as many others show one broad ring.
pub fn doubt(tilts: &mut [TiltFocus]) {
    let few =
        |tilt: &TiltFocus| tilt.figures.is_ok() && tilt.rings.as_ref().is_some_and(|rings| rings.minima < LEAST_MINIMA);
    let broad = tilts.iter().filter(|tilt| tilt.broad_um.is_some()).count();
    let measured = tilts.iter().filter(|tilt| few(tilt)).count();
    if measured == 0 || broad < measured {
        return;
    }
    let why = NotMeasured::because(format!(
        "it shows few rings, and {broad} tilts beside it show one broad ring, as of an underfocus too small for these pixels"
    ));
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
