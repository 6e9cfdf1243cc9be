//! Small functions that keep the laws finite and smooth in floating point.

/// Voltages beyond this are taken at this: no electrode of an amp comes near it, and
/// powers of it stay finite.
const VOLTS_LIMIT: f64 = 1e6;

/// A voltage within the range in which every law is finite.
pub(super) fn limited(volts: f64) -> f64 {
    volts.clamp(-VOLTS_LIMIT, VOLTS_LIMIT)
}

/// ln(1 + exp(x)) and its derivative, without overflow.
pub(super) fn softplus(x: f64) -> (f64, f64) {
    if x > 0.0 {
        let e = (-x).exp();
        (x + e.ln_1p(), 1.0 / (1.0 + e))
    } else {
        let e = x.exp();
        (e.ln_1p(), e / (1.0 + e))
    }
}

/// Where the exponent of the Koren forms is cut off, so that a simulator's exp() stays in
/// range. The reference decks write `exp(min(80, x))`, so the law here has the same ceiling.
const EXPONENT_CEILING: f64 = 80.0;

/// ln(1 + exp(min(80, x))) and its derivative, which is zero above the ceiling.
pub(super) fn capped_softplus(x: f64) -> (f64, f64) {
    if x > EXPONENT_CEILING { (softplus(EXPONENT_CEILING).0, 0.0) } else { softplus(x) }
}

/// base^exponent and its derivative by the base, for a base of zero or above and an
/// exponent above one.
pub(super) fn power(base: f64, exponent: f64) -> (f64, f64) {
    if base > 0.0 {
        let below = base.powf(exponent - 1.0);
        (below * base, exponent * below)
    } else {
        (0.0, 0.0)
    }
}
