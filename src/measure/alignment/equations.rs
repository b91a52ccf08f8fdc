//! The normal equations of a round of the fit: the shared unknowns, each track's own place eliminated from them (Schur's
//! complement; Triggs et al. 2000).

use crate::measure::alignment::fit::{FAR_PX, Freedom, MAGNIFICATION_SD, Sight, TURN_SD, WARP_SD_PX};
use crate::measure::alignment::model::{FIRST_QUADRATIC, Model, Projection, TERMS, Warp, directions};
use crate::numerics::wide::wide;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Matrix3, MatrixXx3, Vector2, Vector3};
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
    /// As many of these as `count` says.
    shared: [(usize, Vector2<f64>); 5 + 3 * TERMS],
    count: usize,
    point: [Vector2<f64>; 3],
}

impl Slopes {
    fn new(model: &Model, layout: &Layout, sight: &Sight, projection: &Projection) -> Self {
        let (sine, cosine) = projection.turned;
        let (p, q) = (Vector2::from(projection.p), Vector2::from(projection.q));
        let point = model.point_at(sight.track, sight.tilt);
        let across = projection.across(point);
        let shared = [(0, Vector2::zeros()); 5 + 3 * TERMS];
        let mut slopes = Self { shared, count: 0, point: [p * cosine, q, p * sine] };
        if let Some(at) = layout.shifts[sight.tilt] {
            slopes.on(at, Vector2::x());
            slopes.on(at + 1, Vector2::y());
        }
        // d p / d a = -q, d q / d a = p.
        let turned = p * point[1] - q * across;
        if let Some(at) = layout.turns[sight.tilt] {
            slopes.on(at, -turned);
            slopes.on(at + 1, p * across + q * point[1]);
        }
        if let Some(at) = layout.axis {
            slopes.on(at, turned);
        }
        if let Some(at) = layout.warp {
            let growth = model.growth[sight.tilt];
            let terms = &model.terms[sight.track];
            for (k, along) in slopes.point.into_iter().enumerate() {
                for (term, value) in terms.iter().enumerate() {
                    slopes.on(at + k * TERMS + term, along * (growth * value));
                }
            }
        }
        slopes
    }

    fn on(&mut self, unknown: usize, slope: Vector2<f64>) {
        self.shared[self.count] = (unknown, slope);
        self.count += 1;
    }
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
    /// How its place hangs on each shared unknown; zero on those of tilts where it was not seen.
    pub coupling: MatrixXx3<f64>,
    target: Vector3<f64>,
    /// Its share of the target.
    pub score: DVector<f64>,
}

impl OfTrack {
    /// How its place moves with the shared unknowns.
    pub fn moved(&self, shared: &DVector<f64>) -> Vector3<f64> {
        self.inverse * (self.target - self.coupling.tr_mul(shared))
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
    let projections = model.projections();
    let given = Given { model, projections: &projections, layout, sights, height, weights, scale };
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
    projections: &'a [Option<Projection>],
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
        for (at, of_track) in by_track.iter().enumerate() {
            let own = self.of_track(first + at, of_track, &mut sum);
            sum.tracks.push(own);
        }
        sum
    }

    fn of_track(&self, track: usize, seen: &[usize], sum: &mut Equations) -> OfTrack {
        let far = 1.0 / (FAR_PX * FAR_PX);
        let ties = Vector3::new(far, far, 1.0 / (self.height * self.height));
        let mut own = Matrix3::from_diagonal(&ties);
        let mut own_target = -Vector3::from(self.model.points[track]).component_mul(&ties);
        let mut coupling = MatrixXx3::zeros(self.layout.count);
        let mut score = DVector::zeros(self.layout.count);
        for &at in seen {
            let sight = &self.sights[at];
            let Some(projection) = &self.projections[sight.tilt] else { continue };
            let left = residual(self.model, projection, sight);
            let slopes = Slopes::new(self.model, self.layout, sight, projection);
            let w = information(sight) * (self.weights[at] / self.scale);
            let w_left = w * left;
            let shared = &slopes.shared[..slopes.count];
            for (nth, (i, a)) in shared.iter().enumerate() {
                let w_a = w * a;
                // Their numbers rise.
                shared[nth..].iter().for_each(|(j, b)| sum.normal[(*j, *i)] += w_a.dot(b));
                score[*i] += a.dot(&w_left);
                (0..3).for_each(|k| coupling[(*i, k)] += slopes.point[k].dot(&w_a));
            }
            for k in 0..3 {
                own_target[k] += slopes.point[k].dot(&w_left);
                for l in 0..3 {
                    own[(k, l)] += slopes.point[k].dot(&(w * slopes.point[l]));
                }
            }
        }
        let inverse = own.try_inverse().unwrap_or_else(Matrix3::zeros);
        let through = &coupling * inverse;
        score -= &through * own_target;
        sum.target += &score;
        eliminate(sum.normal.as_mut_slice(), coupling.as_slice(), through.as_slice());
        OfTrack { inverse, coupling, target: own_target, score }
    }
}

wide! {
    /// Takes the products of one track's couplings off the lower half of the normal matrix, column by column.
    fn eliminate<'a>(normal: &'a mut [f64], coupling: &'a [f64], through: &'a [f64]) {
        let count = coupling.len() / 3;
        let (x, rest) = coupling.split_at(count);
        let (y, z) = rest.split_at(count);
        for (at, column) in normal.chunks_exact_mut(count.max(1)).enumerate() {
            let by = [through[at], through[at + count], through[at + 2 * count]];
            // Of a tilt where it was not seen.
            if by == [0.0; 3] {
                continue;
            }
            for (((sum, x), y), z) in column[at..].iter_mut().zip(&x[at..]).zip(&y[at..]).zip(&z[at..]) {
                *sum -= by[0] * x + by[1] * y + by[2] * z;
            }
        }
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

/// Seen less expected.
pub fn residual(model: &Model, projection: &Projection, sight: &Sight) -> Vector2<f64> {
    let expected = projection.of(model.point_at(sight.track, sight.tilt));
    Vector2::new(sight.at[0] - expected[0], sight.at[1] - expected[1])
}

/// The same of all sights; `None` at tilts without a pose.
pub fn residuals(model: &Model, sights: &[Sight]) -> Vec<Option<Vector2<f64>>> {
    let projections = model.projections();
    let one = |sight: &Sight| Some(residual(model, projections[sight.tilt].as_ref()?, sight));
    sights.iter().map(one).collect()
}

/// Squared Mahalanobis distances; NaN at tilts without a pose.
pub fn misfits(model: &Model, sights: &[Sight]) -> Vec<f64> {
    let left = residuals(model, sights).into_iter().zip(sights);
    left.map(|(left, sight)| left.map_or(f64::NAN, |left| left.dot(&(information(sight) * left)))).collect()
}
