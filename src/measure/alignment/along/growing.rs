//! What grows of the places of parts, besides a plane at each tilt.

use crate::measure::alignment::model::{FIRST_QUADRATIC, TERMS};
use crate::numerics::median::{MAD_TO_SD, upper_median};
use nalgebra::{DMatrix, DVector, Matrix3, Vector3};

/// A tilt with fewer parts tells nothing beyond its plane.
const FEWEST_PARTS: usize = 7;
/// Numbers of a bend.
const QUADRATICS: usize = TERMS - FIRST_QUADRATIC;
/// Rounds of weights, and degrees of freedom of the law of errors.
const ROUNDS: usize = 6;
const FREEDOM: f64 = 3.0;
/// Added to what no data tell, over what they tell of the rest.
const IDLE: f64 = 1e-9;

/// Where a part lies at a tilt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Which part.
    pub part: usize,
    /// Which tilt.
    pub tilt: usize,
    /// How far along the axis from where it lay at the start, in px.
    pub off: f64,
    /// Inverse variance of that, in 1/px².
    pub weight: f64,
}

/// A bend along the axis that grows: displacement at growth 1, of the terms u², uv, v², in px.
#[derive(Debug, Clone, PartialEq)]
pub struct Bend {
    coefficients: Vector3<f64>,
    /// How much each place counted in the end.
    weights: Vec<f64>,
}

impl Bend {
    /// The bend of places, `terms` by part and `growth` by tilt (none at the start). `None` where they are too few.
    pub fn of(places: &[Place], terms: &[[f64; TERMS]], growth: &[f64]) -> Option<Self> {
        let mut weights: Vec<f64> = places.iter().map(|place| place.weight).collect();
        let mut round = Round::of(places, &weights, (terms, growth))?;
        for _ in 1..ROUNDS {
            let misfits: Vec<f64> =
                round.left.iter().zip(places).map(|(left, place)| left * left * place.weight).collect();
            let scale = (MAD_TO_SD * upper_median(misfits.iter().map(|misfit| misfit.sqrt()))?).powi(2).max(1e-12);
            for ((weight, misfit), place) in weights.iter_mut().zip(&misfits).zip(places) {
                *weight = place.weight / scale * (FREEDOM + 1.0) / (FREEDOM + misfit / scale);
            }
            round = Round::of(places, &weights, (terms, growth))?;
        }
        Some(Self { coefficients: round.bend(), weights })
    }

    /// Covariance of its coefficients. Places of one part err alike: so the jackknife leaves out one part after the other.
    pub fn covariance(&self, places: &[Place], terms: &[[f64; TERMS]], growth: &[f64]) -> Matrix3<f64> {
        let without = |part: usize| {
            let some = places.iter().zip(&self.weights).filter(|(place, _)| place.part != part);
            let (places, weights): (Vec<Place>, Vec<f64>) = some.unzip();
            Round::of(&places, &weights, (terms, growth)).map(|round| round.bend())
        };
        let seen = (0..terms.len()).filter(|part| places.iter().any(|place| place.part == *part));
        let others: Vec<Vector3<f64>> = seen.filter_map(without).collect();
        let n = others.len() as f64;
        let mean = others.iter().sum::<Vector3<f64>>() / n;
        let scatter: Matrix3<f64> = others.iter().map(|one| (one - mean) * (one - mean).transpose()).sum();
        scatter * ((n - 1.0) / n)
    }

    /// Root mean square displacement at growth 1 over places with such terms, what errors of such a covariance put into it taken
    /// off, and one standard error of it, in px.
    pub fn size(&self, covariance: &Matrix3<f64>, places: &[Vector3<f64>]) -> (f64, f64) {
        let n = places.len().max(1) as f64;
        let (mut square, mut noise, mut slope) = (0.0, 0.0, Vector3::zeros());
        for terms in places {
            let moved = self.coefficients.dot(terms);
            square += moved * moved / n;
            noise += terms.dot(&(covariance * terms)) / n;
            slope += terms * (moved / n);
        }
        let variance = slope.dot(&(covariance * slope)) / square.max(1e-12);
        ((square - noise).max(0.0).sqrt(), variance.max(0.0).sqrt())
    }

    /// Cosine between what two bends do to the same places.
    pub fn alike(&self, other: &Self, places: &[Vector3<f64>]) -> f64 {
        let products: Matrix3<f64> = places.iter().map(|terms| terms * terms.transpose()).sum();
        let dot = |a: &Self, b: &Self| a.coefficients.dot(&(products * b.coefficients));
        dot(self, other) / (dot(self, self) * dot(other, other)).sqrt().max(1e-300)
    }
}

/// The terms that bend.
pub fn quadratics(terms: &[f64; TERMS]) -> Vector3<f64> {
    Vector3::from_fn(|k, _| terms[FIRST_QUADRATIC + k])
}

/// Least squares of one round.
struct Round {
    /// The bend, then where each part lay at the start.
    solution: DVector<f64>,
    /// By place, planes taken off, in px.
    left: Vec<f64>,
}

impl Round {
    fn of(places: &[Place], weights: &[f64], by: (&[[f64; TERMS]], &[f64])) -> Option<Self> {
        let (slopes, off) = off_planes(places, weights, by);
        let mut weighed = slopes.clone();
        weighed.row_iter_mut().zip(weights).for_each(|(mut row, weight)| row *= *weight);
        let mut normal = slopes.tr_mul(&weighed);
        // Where parts lay in a plane at the start no data tell.
        let idle = IDLE * normal.diagonal().max();
        (0..normal.nrows()).for_each(|k| normal[(k, k)] += idle);
        let solution = normal.cholesky()?.solve(&weighed.tr_mul(&off));
        let left = (off - &slopes * &solution).iter().copied().collect();
        Some(Self { solution, left })
    }

    fn bend(&self) -> Vector3<f64> {
        self.solution.fixed_rows::<QUADRATICS>(0).into_owned()
    }
}

/// How places hang on the unknowns, and where they lie, the best plane of each tilt taken off both (Frisch & Waugh 1933).
fn off_planes(
    places: &[Place],
    weights: &[f64],
    (terms, growth): (&[[f64; TERMS]], &[f64]),
) -> (DMatrix<f64>, DVector<f64>) {
    let count = QUADRATICS + terms.len();
    let (mut slopes, mut off) = (DMatrix::zeros(places.len(), count), DVector::zeros(places.len()));
    let plane = |at: usize| Vector3::new(1.0, terms[places[at].part][0], terms[places[at].part][1]);
    for (tilt, growth) in growth.iter().enumerate() {
        let here: Vec<usize> = (0..places.len()).filter(|&at| places[at].tilt == tilt).collect();
        let normal: Matrix3<f64> = here.iter().map(|&at| weights[at] * plane(at) * plane(at).transpose()).sum();
        let Some(inverse) = normal.try_inverse().filter(|_| here.len() >= FEWEST_PARTS) else { continue };
        let rest = |value: &dyn Fn(usize) -> f64| {
            let pulled: Vector3<f64> = here.iter().map(|&at| weights[at] * value(at) * plane(at)).sum();
            let level = inverse * pulled;
            here.iter().map(|&at| (at, value(at) - level.dot(&plane(at)))).collect::<Vec<_>>()
        };
        for k in 0..QUADRATICS {
            let grown = |at: usize| growth * quadratics(&terms[places[at].part])[k];
            rest(&grown).into_iter().for_each(|(at, value)| slopes[(at, k)] = value);
        }
        for part in 0..terms.len() {
            let own = |at: usize| f64::from(u8::from(places[at].part == part));
            rest(&own).into_iter().for_each(|(at, value)| slopes[(at, QUADRATICS + part)] = value);
        }
        rest(&|at| places[at].off).into_iter().for_each(|(at, value)| off[at] = value);
    }
    (slopes, off)
}
