//! The normal equations of a round of the fit: the shared unknowns, each track's own place eliminated from them (Schur's
//! complement; Triggs et al. 2000).

use crate::measure::alignment::fit::{FAR_PX, Freedom, MAGNIFICATION_SD, Sight, TURN_SD, WARP_SD_PX};
use crate::measure::alignment::model::{FIRST_QUADRATIC, Model, Pose, TERMS, Warp, directions};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Matrix3, Vector2, Vector3};
use rayon::prelude::*;

/// So many tracks are summed by one worker at a time.
const TOGETHER: usize = 16;
/// What is held at none.
const HELD_PX: f64 = 1e-4;

/// Numbers of the shared unknowns.
#[derive(Debug, Clone)]
pub struct Layout {
    /// By tilt: x and y of its shift.
    pub shifts: Vec<Option<usize>>,
    /// By tilt: its turn and the logarithm of its magnification.
    pub turns: Vec<Option<usize>>,
    /// The direction of the axis.
    pub axis: Option<usize>,
    /// The terms of the change.
    pub warp: Option<usize>,
    /// The change is sought along the axis alone.
    along_only: bool,
    /// How many.
    pub count: usize,
}

impl Layout {
    /// Of a model whose tilt `start` holds the origin.
    pub fn new(model: &Model, start: usize, freedom: Freedom) -> Self {
        let mut count = 0;
        let mut take = |wanted: bool, numbers: usize| {
            wanted.then(|| {
                count += numbers;
                count - numbers
            })
        };
        let posed = |tilt: usize| model.poses[tilt].is_some();
        let shifts = (0..model.tilts.len()).map(|tilt| take(posed(tilt) && tilt != start, 2)).collect();
        let turns = (0..model.tilts.len()).map(|tilt| take(posed(tilt) && freedom.turns, 2)).collect();
        let axis = take(freedom.axis, 1);
        let warp = take(freedom.warp, 3 * TERMS);
        Self { shifts, turns, axis, warp, along_only: freedom.along_only, count }
    }

    /// Inverse variances of the weak ties.
    fn ties(&self) -> DVector<f64> {
        let mut ties = DVector::from_element(self.count, 1.0 / (FAR_PX * FAR_PX));
        for at in self.turns.iter().flatten() {
            ties[*at] = 1.0 / (TURN_SD * TURN_SD);
            ties[at + 1] = 1.0 / (MAGNIFICATION_SD * MAGNIFICATION_SD);
        }
        if let Some(at) = self.axis {
            ties[at] = 0.0;
        }
        if let Some(at) = self.warp {
            for k in 0..3 * TERMS {
                let held = k % TERMS < FIRST_QUADRATIC || (self.along_only && k / TERMS != 1);
                let sd = if held { HELD_PX } else { WARP_SD_PX };
                ties[at + k] = 1.0 / (sd * sd);
            }
        }
        ties
    }

    fn values(&self, model: &Model) -> DVector<f64> {
        let mut values = DVector::zeros(self.count);
        for (tilt, pose) in model.poses.iter().enumerate() {
            let Some(pose) = pose else { continue };
            if let Some(at) = self.shifts[tilt] {
                values[at] = pose.shift[0];
                values[at + 1] = pose.shift[1];
            }
            if let Some(at) = self.turns[tilt] {
                values[at] = pose.turn;
                values[at + 1] = pose.log_magnification;
            }
        }
        if let (Some(at), Some(warp)) = (self.warp, &model.warp) {
            for k in 0..3 * TERMS {
                values[at + k] = warp.coefficients[k / TERMS][k % TERMS];
            }
        }
        values
    }

    /// Moves a model.
    pub fn step(&self, model: &mut Model, step: &DVector<f64>) {
        for (tilt, pose) in model.poses.iter_mut().enumerate() {
            let Some(pose) = pose else { continue };
            if let Some(at) = self.shifts[tilt] {
                pose.shift = [pose.shift[0] + step[at], pose.shift[1] + step[at + 1]];
            }
            if let Some(at) = self.turns[tilt] {
                pose.turn += step[at];
                pose.log_magnification += step[at + 1];
            }
        }
        if let Some(at) = self.axis {
            model.axis += step[at];
        }
        if let Some(at) = self.warp {
            let warp = model.warp.get_or_insert(Warp { coefficients: [[0.0; TERMS]; 3] });
            for k in 0..3 * TERMS {
                warp.coefficients[k / TERMS][k % TERMS] += step[at + k];
            }
        }
    }
}

/// How what is recorded hangs on the unknowns: by number of the shared unknown, and on the point.
struct Slopes {
    shared: Vec<(usize, Vector2<f64>)>,
    point: [Vector2<f64>; 3],
}

fn slopes(model: &Model, layout: &Layout, sight: &Sight, pose: &Pose) -> Slopes {
    let (sine, cosine) = model.tilts[sight.tilt].sin_cos();
    let (p, q) = directions(model.axis - pose.turn);
    let (p, q) = (Vector2::new(p[0], p[1]), Vector2::new(q[0], q[1]));
    let magnification = pose.log_magnification.exp();
    let [u, v, z] = model.point_at(sight.track, sight.tilt);
    let across = u * cosine + z * sine;
    let point = [p * (magnification * cosine), q * magnification, p * (magnification * sine)];
    let mut shared = Vec::with_capacity(5 + 3 * TERMS);
    if let Some(at) = layout.shifts[sight.tilt] {
        shared.extend([(at, Vector2::x()), (at + 1, Vector2::y())]);
    }
    // d p / d a = -q, d q / d a = p.
    let turned = (p * v - q * across) * magnification;
    if let Some(at) = layout.turns[sight.tilt] {
        shared.extend([(at, -turned), (at + 1, (p * across + q * v) * magnification)]);
    }
    if let Some(at) = layout.axis {
        shared.push((at, turned));
    }
    if let Some(at) = layout.warp {
        let growth = model.growth[sight.tilt];
        let terms = &model.terms[sight.track];
        let every = (0..3).flat_map(|k| (0..TERMS).map(move |term| (k, term)));
        shared.extend(every.map(|(k, term)| (at + k * TERMS + term, point[k] * (growth * terms[term]))));
    }
    Slopes { shared, point }
}

/// The equations of one round.
pub struct Equations {
    /// Its lower half alone.
    normal: DMatrix<f64>,
    target: DVector<f64>,
    /// By track.
    pub tracks: Vec<OfTrack>,
}

/// What one track gives to them.
pub struct OfTrack {
    /// Inverse of its own block.
    pub inverse: Matrix3<f64>,
    /// The shared unknowns that it sees (few of all), and how its place hangs on each.
    pub coupling: Vec<(usize, Vector3<f64>)>,
    target: Vector3<f64>,
    /// Its share of the target, unknown by unknown.
    pub score: Vec<f64>,
}

impl OfTrack {
    /// How its place moves with the shared unknowns.
    pub fn moved(&self, shared: &DVector<f64>) -> Vector3<f64> {
        let pulled = self.coupling.iter().fold(self.target, |sum, (at, coupling)| sum - coupling * shared[*at]);
        self.inverse * pulled
    }
}

/// Gathers them; sights of tilts without a pose are left out. `height`: heights lie within this of none, in px.
pub fn gather(
    model: &Model,
    layout: &Layout,
    sights: &[Sight],
    (by_track, height): (&[Vec<usize>], f64),
    weights: &[f64],
    scale: f64,
) -> Equations {
    let ties = layout.ties();
    let target = -ties.component_mul(&layout.values(model));
    let mut all =
        Equations { normal: DMatrix::from_diagonal(&ties), target, tracks: Vec::with_capacity(by_track.len()) };
    all.hold_along(model, layout);
    let given = Given { model, layout, sights, height, weights, scale };
    // The same tracks are summed together whatever number of cores there is: so is what comes out.
    let parts: Vec<Equations> =
        by_track.par_chunks(TOGETHER).enumerate().map(|(nth, part)| given.of(nth * TOGETHER, part)).collect();
    for part in parts {
        all.normal += part.normal;
        all.target += part.target;
        all.tracks.extend(part.tracks);
    }
    all
}

/// What equations are made from.
struct Given<'a> {
    model: &'a Model,
    layout: &'a Layout,
    sights: &'a [Sight],
    height: f64,
    weights: &'a [f64],
    scale: f64,
}

impl Given<'_> {
    /// Those of some tracks, from number `first` on.
    fn of(&self, first: usize, by_track: &[Vec<usize>]) -> Equations {
        let count = self.layout.count;
        let mut sum =
            Equations { normal: DMatrix::zeros(count, count), target: DVector::zeros(count), tracks: Vec::new() };
        // Where each shared unknown stands among those of a track.
        let mut places = vec![None; count];
        for (at, of_track) in by_track.iter().enumerate() {
            let own = self.of_track(first + at, of_track, &mut sum, &mut places);
            sum.tracks.push(own);
        }
        sum
    }

    fn of_track(&self, track: usize, seen: &[usize], sum: &mut Equations, places: &mut [Option<usize>]) -> OfTrack {
        let far = 1.0 / (FAR_PX * FAR_PX);
        let ties = Vector3::new(far, far, 1.0 / (self.height * self.height));
        let mut own = Matrix3::from_diagonal(&ties);
        let mut own_target = -Vector3::from(self.model.points[track]).component_mul(&ties);
        let mut coupling: Vec<(usize, Vector3<f64>)> = Vec::new();
        let mut score = Vec::new();
        for &at in seen {
            let sight = &self.sights[at];
            let posed = self.model.poses[sight.tilt].zip(residual(self.model, sight));
            let Some((pose, left)) = posed else { continue };
            let slopes = slopes(self.model, self.layout, sight, &pose);
            let w = information(sight) * (self.weights[at] / self.scale);
            let w_left = w * left;
            for (i, a) in &slopes.shared {
                let w_a = w * a;
                for (j, b) in slopes.shared.iter().filter(|(j, _)| j >= i) {
                    sum.normal[(*j, *i)] += w_a.dot(b);
                }
                let place = *places[*i].get_or_insert_with(|| {
                    coupling.push((*i, Vector3::zeros()));
                    score.push(0.0);
                    score.len() - 1
                });
                score[place] += a.dot(&w_left);
                coupling[place].1 += Vector3::from_fn(|k, _| slopes.point[k].dot(&w_a));
            }
            for k in 0..3 {
                own_target[k] += slopes.point[k].dot(&w_left);
                for l in 0..3 {
                    own[(k, l)] += slopes.point[k].dot(&(w * slopes.point[l]));
                }
            }
        }
        let inverse = own.try_inverse().unwrap_or_else(Matrix3::zeros);
        for (place, (i, a)) in coupling.iter().enumerate() {
            let through = inverse * a;
            coupling.iter().filter(|(j, _)| j >= i).for_each(|(j, b)| sum.normal[(*j, *i)] -= through.dot(b));
            score[place] -= through.dot(&own_target);
            sum.target[*i] += score[place];
            places[*i] = None;
        }
        OfTrack { inverse, coupling, target: own_target, score }
    }
}

impl Equations {
    /// Adds what the whole field says of the tilts' places along the axis.
    fn hold_along(&mut self, model: &Model, layout: &Layout) {
        for (tilt, along) in model.along.iter().enumerate() {
            let (Some(along), Some(pose), Some(at)) = (along, &model.poses[tilt], layout.shifts[tilt]) else {
                continue;
            };
            let (_, q) = directions(model.axis);
            let q = Vector2::from(q);
            let weight = 1.0 / (along.error_px * along.error_px);
            let left = along.px - q.dot(&Vector2::from(pose.shift));
            let mut own = self.normal.fixed_view_mut::<2, 2>(at, at);
            own += weight * q * q.transpose();
            self.target.fixed_rows_mut::<2>(at).axpy(weight * left, &q, 1.0);
        }
    }

    /// The step of the shared unknowns that they ask for.
    pub fn step(&self) -> Option<DVector<f64>> {
        Some(Scaled::new(&self.normal)?.solve(&self.target))
    }

    /// Covariance of the shared unknowns, errors as stated and independent.
    pub fn covariance(&self) -> Option<DMatrix<f64>> {
        Some(Scaled::new(&self.normal)?.inverse())
    }
}

/// A normal matrix with its diagonal scaled to one, and a ten-thousand-millionth added to it: what nothing ties stays where it is.
struct Scaled {
    roots: DVector<f64>,
    factor: Cholesky<f64, Dyn>,
}

const IDLE: f64 = 1e-10;

impl Scaled {
    /// Of the lower half of a matrix.
    fn new(normal: &DMatrix<f64>) -> Option<Self> {
        let roots = normal.diagonal().map(|d| d.max(1e-300).sqrt().recip());
        let n = normal.nrows();
        let scaled =
            DMatrix::from_fn(n, n, |i, j| normal[(i, j)] * roots[i] * roots[j] + if i == j { IDLE } else { 0.0 });
        Some(Self { factor: scaled.cholesky()?, roots })
    }

    fn solve(&self, target: &DVector<f64>) -> DVector<f64> {
        self.factor.solve(&target.component_mul(&self.roots)).component_mul(&self.roots)
    }

    fn inverse(&self) -> DMatrix<f64> {
        let inverse = self.factor.inverse();
        let n = inverse.nrows();
        DMatrix::from_fn(n, n, |i, j| inverse[(i, j)] * self.roots[i] * self.roots[j])
    }
}

fn information(sight: &Sight) -> Matrix2<f64> {
    let [xx, xy, yy] = sight.information;
    Matrix2::new(xx, xy, xy, yy)
}

/// Seen less expected; `None` at tilts without a pose.
pub fn residual(model: &Model, sight: &Sight) -> Option<Vector2<f64>> {
    let expected = model.expected(sight.track, sight.tilt)?;
    Some(Vector2::new(sight.at[0] - expected[0], sight.at[1] - expected[1]))
}

/// Squared Mahalanobis distances; NaN at tilts without a pose.
pub fn misfits(model: &Model, sights: &[Sight]) -> Vec<f64> {
    let one = |sight: &Sight| residual(model, sight).map_or(f64::NAN, |left| left.dot(&(information(sight) * left)));
    sights.iter().map(one).collect()
}
