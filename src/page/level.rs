//! How loud each take is played, so that a comparison is fair and nothing clips.

use super::model::{Clip, Take};
use super::sound::{peak, rms};

/// Highest peak that a take may reach, in dB against full scale. An equal-power cross-fade between
/// two equal signals rises by 3.01 dB half way, so this keeps even that below full scale.
const CEILING_DB: f64 = -3.5;

/// Gains of a clip's takes in one of the two ways to listen.
pub(super) struct Levels {
    /// Gain of each take in dB, relative to the others as the model asks.
    pub asked_db: Vec<f64>,
    /// Common gain in dB, the same for all takes, that brings the loudest peak to the ceiling.
    pub common_db: f64,
}

impl Levels {
    pub(super) fn matched(clip: &Clip) -> Self {
        Self::from(clip, |take| take.matched_gain_db)
    }

    pub(super) fn as_loud(clip: &Clip) -> Self {
        Self::from(clip, |take| take.as_loud_gain_db)
    }

    fn from(clip: &Clip, gain_db: impl Fn(&Take) -> f64) -> Self {
        let asked_db: Vec<f64> = clip.takes.iter().map(gain_db).collect();
        let loudest = clip
            .takes
            .iter()
            .zip(&asked_db)
            .map(|(take, &db)| peak(&take.samples) * gain(db))
            .fold(0.0, f64::max);
        let common_db = if loudest > 0.0 { CEILING_DB - decibels(loudest) } else { 0.0 };
        Self { asked_db, common_db }
    }

    /// Factor for one take's samples.
    pub(super) fn gain(&self, take: usize) -> f64 {
        self.asked_db.get(take).map_or(0.0, |db| gain(db + self.common_db))
    }
}

/// How much louder a take would come out of the amp than the first take, in dB.
///
/// The matched gains make all takes equally loud, so what the other gains leave beside them is the
/// difference in loudness.
pub(super) fn louder_than_first_db(clip: &Clip, take: usize) -> f64 {
    let own = |take: &Take| take.as_loud_gain_db - take.matched_gain_db;
    match (clip.takes.get(take), clip.takes.first()) {
        (Some(this), Some(first)) => own(this) - own(first),
        _ => 0.0,
    }
}

/// How much a difference may be lifted until it is as strong as the version after, in dB, never
/// above the ceiling and never below 0.
pub(super) fn lift_db(difference: &[f32], after: &[f32], after_gain: f64) -> f64 {
    let (strength, largest) = (rms(difference), peak(difference) * after_gain);
    if strength == 0.0 || largest == 0.0 {
        return 0.0;
    }
    let wanted = decibels(rms(after) / strength);
    wanted.min(CEILING_DB - decibels(largest)).max(0.0)
}

/// Factor of a gain in dB.
pub(super) fn gain(db: f64) -> f64 {
    10_f64.powf(db / 20.0)
}

/// Gain in dB of a positive factor.
pub(super) fn decibels(factor: f64) -> f64 {
    20.0 * factor.log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn take(peak: f32, matched_gain_db: f64, as_loud_gain_db: f64) -> Take {
        Take { samples: vec![0.0, peak, -peak / 2.0], matched_gain_db, as_loud_gain_db }
    }

    #[test]
    fn loudest_take_meets_the_ceiling_and_relations_stay() {
        let clip =
            Clip { takes: vec![take(0.5, 6.0, 0.0), take(0.25, 0.0, 12.0)], ..Clip::default() };
        for levels in [Levels::matched(&clip), Levels::as_loud(&clip)] {
            let peaks = [0.5 * levels.gain(0), 0.25 * levels.gain(1)];
            assert!((decibels(peaks[0].max(peaks[1])) - CEILING_DB).abs() < 1e-9);
            let relation = decibels(levels.gain(1) / levels.gain(0));
            assert!((relation - (levels.asked_db[1] - levels.asked_db[0])).abs() < 1e-9);
        }
        assert!((louder_than_first_db(&clip, 1) - 18.0).abs() < 1e-9);
    }

    #[test]
    fn an_equal_power_fade_of_equal_takes_stays_below_full_scale() {
        assert!(CEILING_DB + 10.0 * 2_f64.log10() < 0.0);
    }

    #[test]
    fn lift_stops_at_the_ceiling() {
        assert!((lift_db(&[0.01, -0.01], &[0.1, -0.1], 1.0) - 20.0).abs() < 1e-6);
        assert!(
            (lift_db(&[0.01, 0.0, 0.0, 0.0], &[0.9; 4], 1.0) - (40.0 + CEILING_DB)).abs() < 1e-5
        );
        assert_eq!(lift_db(&[0.0; 4], &[0.9; 4], 1.0), 0.0);
    }
}
