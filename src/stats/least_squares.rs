//! Nonlinear least squares: parameters within bounds that make residuals small.
//!
//! Levenberg (1944) and Marquardt (1963) with the scaling of Moré (1978) and the damping of Nielsen (1999); each step solves
//! the damped equations by QR, never their square. A residual may be trusted less than its square says (Huber, 1964); its
//! weight then goes into the step as in iteratively reweighted least squares. A parameter that lies at a bound and is drawn
//! beyond it takes no part in the step.

use nalgebra::{DMatrix, DVector};

/// What is to be fitted: numbers in, residuals out, each in units of its standard deviation.
pub trait Model {
    /// The residuals at these parameters; always as many.
    fn residuals(&self, at: &[f64]) -> Vec<f64>;

    /// For each parameter the slopes of all residuals; central differences unless the model knows better.
    fn slopes(&self, at: &[f64]) -> Vec<Vec<f64>> {
        let column = |place: usize| {
            let step = f64::EPSILON.cbrt() * at[place].abs().max(1e-4);
            let shifted = |by: f64| {
                let mut at = at.to_vec();
                at[place] += by;
                (at[place], self.residuals(&at))
            };
            let ((high, above), (low, below)) = (shifted(step), shifted(-step));
            above.iter().zip(&below).map(|(above, below)| (above - below) / (high - low)).collect()
        };
        (0..at.len()).map(column).collect()
    }

    /// The relative change of the parameters and of the sum of squares below which a fit has settled.
    fn settled(&self) -> f64 {
        1e-12
    }

    /// Beyond how many standard deviations the residual of this place counts by its size only, no longer by its square.
    fn trusted_to(&self, _place: usize) -> f64 {
        f64::INFINITY
    }
}

/// What a fit came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The parameters.
    pub values: Vec<f64>,
    /// The residuals there.
    pub residuals: Vec<f64>,
    /// Each residual's weight, 1 unless it is trusted less.
    pub weights: Vec<f64>,
    /// For each parameter the slopes of all residuals.
    pub slopes: Vec<Vec<f64>>,
    /// The sum of squares, or of what stands for them.
    pub sum: f64,
    /// Steps tried.
    pub steps: usize,
    /// Whether the last step no longer changed anything.
    pub settled: bool,
}

/// Steps tried at most.
const MOST_STEPS: usize = 400;

impl Fit {
    /// The parameters' covariances, row after row, if the residuals have a standard deviation of 1; a direction that the
    /// residuals do not feel at all has none, and is left out of them.
    pub fn covariance(&self) -> Vec<Vec<f64>> {
        let slopes = weighted(&self.slopes, &self.weights);
        let count = self.values.len();
        // Columns of one length, so that what is no slope at all can be told from a parameter in small units.
        let lengths: Vec<f64> = slopes.column_iter().map(|column| column.norm()).collect();
        let of = |place: usize| if lengths[place] > 0.0 { lengths[place] } else { 1.0 };
        let even = DMatrix::from_fn(slopes.nrows(), count, |row, column| slopes[(row, column)] / of(column));
        let parts = even.svd(false, true);
        let Some(directions) = parts.v_t else { return vec![vec![f64::NAN; count]; count] };
        let entry = |row: usize, column: usize| -> f64 {
            let felt = parts.singular_values.iter().enumerate().filter(|(_, value)| **value > 1e-12);
            let sum: f64 =
                felt.map(|(k, value)| directions[(k, row)] * directions[(k, column)] / (value * value)).sum();
            sum / (of(row) * of(column))
        };
        (0..count).map(|row| (0..count).map(|column| entry(row, column)).collect()).collect()
    }

    /// The standard deviation of the residuals, by the degrees of freedom left; NaN if there are none.
    pub fn deviation(&self) -> f64 {
        let freedom = self.residuals.len().saturating_sub(self.values.len());
        if freedom == 0 { f64::NAN } else { (self.sum / freedom as f64).sqrt() }
    }
}

/// The best parameters from `start` within `bounds`, as many of both.
pub fn least_squares(model: &impl Model, start: &[f64], bounds: &[(f64, f64)]) -> Fit {
    let mut at = State::of(model, within(start, bounds));
    let mut slopes = model.slopes(&at.values);
    let (mut damping, mut growth) = (1e-3, 2.0);
    let mut scale = DVector::zeros(start.len());
    let (mut steps, mut settled) = (0, false);
    let enough = model.settled();
    while steps < MOST_STEPS && !settled {
        steps += 1;
        let matrix = weighted(&slopes, &at.weights);
        let right = at.weighted_residuals();
        for (place, column) in matrix.column_iter().enumerate() {
            scale[place] = f64::max(scale[place], column.norm());
        }
        let gradient = matrix.tr_mul(&right);
        let free = free(&at.values, &gradient, bounds);
        let step = damped(&matrix, &right, &scale, damping, &free);
        let tried = within(&at.values.iter().zip(step.iter()).map(|(x, by)| x - by).collect::<Vec<_>>(), bounds);
        let moved = DVector::from_iterator(tried.len(), at.values.iter().zip(&tried).map(|(x, to)| x - to));
        let small = moved.iter().zip(&at.values).all(|(by, x)| by.abs() <= enough * (x.abs() + enough));
        let next = State::of(model, tried);
        let promised = right.norm_squared() - (&right - &matrix * &moved).norm_squared();
        let gained = at.sum - next.sum;
        if gained > 0.0 {
            settled = gained <= enough * at.sum && promised <= enough * at.sum;
            let ratio = if promised > 0.0 { gained / promised } else { 1.0 };
            damping *= (1.0 - (2.0 * ratio - 1.0).powi(3)).max(1.0 / 3.0);
            growth = 2.0;
            slopes = model.slopes(&next.values);
            at = next;
        } else {
            settled = small || damping > 1e20 || promised <= enough.powi(2).max(f64::EPSILON) * at.sum;
            damping = (damping * growth).max(1e-12);
            growth *= 2.0;
        }
    }
    let State { values, residuals, weights, sum } = at;
    Fit { values, residuals, weights, slopes, sum, steps, settled }
}

/// Parameters with what follows from them.
struct State {
    values: Vec<f64>,
    residuals: Vec<f64>,
    weights: Vec<f64>,
    sum: f64,
}

impl State {
    fn of(model: &impl Model, values: Vec<f64>) -> Self {
        let residuals = model.residuals(&values);
        let trusted = |place: usize, residual: f64| {
            let (size, limit) = (residual.abs(), model.trusted_to(place));
            if size <= limit { (1.0, size * size) } else { (limit / size, limit * (2.0 * size - limit)) }
        };
        let (weights, losses): (Vec<f64>, Vec<f64>) =
            residuals.iter().enumerate().map(|(place, residual)| trusted(place, *residual)).unzip();
        let sum: f64 = losses.iter().sum();
        // What cannot be reckoned is worse than anything that can.
        let sum = if sum.is_nan() { f64::INFINITY } else { sum };
        State { values, residuals, weights, sum }
    }

    fn weighted_residuals(&self) -> DVector<f64> {
        let each = self.residuals.iter().zip(&self.weights).map(|(residual, weight)| residual * weight.sqrt());
        DVector::from_iterator(self.residuals.len(), each)
    }
}

fn within(values: &[f64], bounds: &[(f64, f64)]) -> Vec<f64> {
    values.iter().zip(bounds).map(|(value, (low, high))| value.max(*low).min(*high)).collect()
}

fn weighted(slopes: &[Vec<f64>], weights: &[f64]) -> DMatrix<f64> {
    DMatrix::from_fn(weights.len(), slopes.len(), |row, column| slopes[column][row] * weights[row].sqrt())
}

/// Which parameters are not held by a bound.
fn free(values: &[f64], gradient: &DVector<f64>, bounds: &[(f64, f64)]) -> Vec<usize> {
    let held = |place: usize| {
        let (low, high) = bounds[place];
        (values[place] <= low && gradient[place] > 0.0) || (values[place] >= high && gradient[place] < 0.0)
    };
    (0..values.len()).filter(|place| !held(*place)).collect()
}

/// The step δ that makes |J·δ − r|² + λ·|D·δ|² least, among the free parameters.
fn damped(
    matrix: &DMatrix<f64>,
    right: &DVector<f64>,
    scale: &DVector<f64>,
    damping: f64,
    free: &[usize],
) -> DVector<f64> {
    let rows = matrix.nrows();
    let mut whole = DMatrix::zeros(rows + free.len(), free.len());
    let mut target = DVector::zeros(rows + free.len());
    target.rows_mut(0, rows).copy_from(right);
    for (place, parameter) in free.iter().enumerate() {
        whole.view_mut((0, place), (rows, 1)).copy_from(&matrix.column(*parameter));
        let scale = if scale[*parameter] > 0.0 { scale[*parameter] } else { 1.0 };
        whole[(rows + place, place)] = damping.sqrt() * scale;
    }
    let parts = whole.qr();
    parts.q_tr_mul(&mut target);
    let solved = parts.r().solve_upper_triangular(&target.rows(0, free.len()));
    let mut step = DVector::zeros(matrix.ncols());
    for (place, parameter) in free.iter().enumerate() {
        step[*parameter] = solved.as_ref().map_or(0.0, |solved| solved[place]);
    }
    step
}
