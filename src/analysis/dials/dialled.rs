//! The response of a circuit as a function of where its knobs stand.

use nalgebra::Complex;

use crate::analysis::trial::{Bench, added, ports};
use crate::circuit::{
    Admittance, Circuit, CircuitError, Kind, LinearCircuit, Multiport, Node, Port, RestWorkspace,
};

use super::knob::Knob;

/// Levels below this are as good as silence; keeps logarithms finite.
const FLOOR_DB: f64 = -300.0;

/// A pot and the knob that turns it.
#[derive(Clone, Debug)]
struct Pot {
    name: String,
    knob: usize,
    kind: Kind,
}

#[derive(Clone, Debug)]
enum Path {
    /// Seen from the pots: exact, and the operating point stays.
    Reduced { multiport: Multiport, base: Vec<Kind> },
    /// Some pot carries direct current: everything anew each time.
    Whole,
}

/// A circuit with knobs, ready to be asked for its levels at any positions of them.
#[derive(Clone, Debug)]
pub struct Dialled {
    bench: Bench,
    knobs: Vec<Knob>,
    frequencies_hz: Vec<f64>,
    pots: Vec<Pot>,
    path: Path,
}

/// Reusable memory of a question.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    now: Multiport,
    next: Multiport,
    rest: Option<RestWorkspace>,
}

impl Dialled {
    /// Prepares a circuit; each knob's pots must be parts of it, and every other pot stays as it is.
    ///
    /// # Errors
    /// As [`Bench::new`]; [`CircuitError::UnknownPart`] for a pot that is not there.
    pub fn new(
        circuit: &Circuit,
        source: &str,
        output: Node,
        knobs: &[Knob],
        frequencies_hz: &[f64],
    ) -> Result<Self, CircuitError> {
        let mut circuit = circuit.clone();
        let mut pots = Vec::new();
        for (knob, k) in knobs.iter().enumerate() {
            for name in &k.pots {
                let missing = || CircuitError::UnknownPart { part: name.clone() };
                let kind = circuit.part(name).ok_or_else(missing)?.kind.clone();
                // Solved with each pot half way, so that a change to either end stays well scaled.
                circuit.replace(name, turned(&kind, 0.5))?;
                pots.push(Pot { name: name.clone(), knob, kind });
            }
        }
        let bench = Bench::new(&circuit, source, output)?;
        Self::on(bench, knobs.to_vec(), pots, frequencies_hz.to_vec())
    }

    fn on(
        bench: Bench,
        knobs: Vec<Knob>,
        pots: Vec<Pot>,
        frequencies_hz: Vec<f64>,
    ) -> Result<Self, CircuitError> {
        let path = if pots.iter().all(|p| bench.keeps_bias(&p.name)) {
            let base: Vec<Kind> = pots.iter().map(|p| turned(&p.kind, 0.5)).collect();
            let all: Vec<Port> = pots.iter().flat_map(|p| ports(&p.name, &p.kind)).collect();
            Path::Reduced { multiport: bench.seen_from(&all, &frequencies_hz)?, base }
        } else {
            Path::Whole
        };
        Ok(Self { bench, knobs, frequencies_hz, pots, path })
    }

    /// The knobs, in the order in which positions are given.
    pub fn knobs(&self) -> &[Knob] {
        &self.knobs
    }

    /// The circuit, with the pots of the knobs half way.
    pub fn bench(&self) -> &Bench {
        &self.bench
    }

    /// Frequencies of the answers.
    pub fn frequencies_hz(&self) -> &[f64] {
        &self.frequencies_hz
    }

    /// Whether a knob changes the operating point, which makes every question slower.
    pub fn moves_bias(&self) -> bool {
        matches!(self.path, Path::Whole)
    }

    /// Where the knobs stand in the version, as shares of the rotation.
    pub fn present(&self) -> Vec<f64> {
        self.knobs.iter().map(|k| k.position.turn()).collect()
    }

    fn kind_at(&self, pot: &Pot, turns: &[f64]) -> Kind {
        turned(&pot.kind, self.knobs[pot.knob].fraction(turns[pot.knob]))
    }

    /// Levels in dB at each frequency with the knobs at `turns` (shares of the rotation, 0 to 1).
    ///
    /// # Errors
    /// As [`Bench::with_values`], only where a knob changes the operating point.
    pub fn levels_into(
        &self,
        turns: &[f64],
        scratch: &mut Scratch,
        levels_db: &mut Vec<f64>,
    ) -> Result<(), CircuitError> {
        levels_db.resize(self.frequencies_hz.len(), 0.0);
        match &self.path {
            Path::Reduced { multiport, base } => {
                let mut changes: Vec<Admittance> = Vec::with_capacity(2 * self.pots.len());
                for (pot, base) in self.pots.iter().zip(base) {
                    changes.extend(added(base, &self.kind_at(pot, turns)));
                }
                let squares = |m: &Multiport, levels: &mut [f64]| m.squares_into(0, levels);
                match changes.split_last() {
                    None => squares(multiport, levels_db),
                    Some((last, rest)) => {
                        multiport.absorb_into(*last, &mut scratch.now);
                        for &change in rest.iter().rev() {
                            scratch.now.absorb_into(change, &mut scratch.next);
                            std::mem::swap(&mut scratch.now, &mut scratch.next);
                        }
                        squares(&scratch.now, levels_db);
                    }
                }
                levels_db.iter_mut().for_each(|l| *l = (10.0 * l.log10()).max(FLOOR_DB));
            }
            Path::Whole => {
                let linear = self.solved(turns, scratch)?;
                let transfer = linear.transfer(self.bench.source(), self.bench.output())?;
                let gains = transfer.gains(&self.frequencies_hz)?;
                for (level, gain) in levels_db.iter_mut().zip(gains) {
                    *level = level_db(gain);
                }
            }
        }
        Ok(())
    }

    /// The same in memory of its own.
    ///
    /// # Errors
    /// As [`Self::levels_into`].
    pub fn levels_db(&self, turns: &[f64]) -> Result<Vec<f64>, CircuitError> {
        let mut levels = Vec::new();
        self.levels_into(turns, &mut Scratch::default(), &mut levels)?;
        Ok(levels)
    }

    /// The whole circuit with the knobs there, solved anew: what [`Self::levels_into`] shortens.
    ///
    /// # Errors
    /// As [`Bench::with_values`].
    pub fn solved(
        &self,
        turns: &[f64],
        scratch: &mut Scratch,
    ) -> Result<LinearCircuit, CircuitError> {
        let values: Vec<(String, Kind)> =
            self.pots.iter().map(|p| (p.name.clone(), self.kind_at(p, turns))).collect();
        if scratch.rest.is_none() {
            scratch.rest = self.bench.workspace();
        }
        self.bench.with_values(&values, &mut scratch.rest)
    }

    /// The same circuit and knobs with one part to be exchanged.
    ///
    /// # Errors
    /// As [`Bench::seen_from`]; [`CircuitError::UnknownPart`] for a part that is not there.
    pub fn open(&self, part: &str) -> Result<Opened<'_>, CircuitError> {
        let missing = || CircuitError::UnknownPart { part: part.to_owned() };
        let kind = self.bench.circuit().part(part).ok_or_else(missing)?.kind.clone();
        let own_pot = self.pots.iter().any(|p| p.name == part);
        let reduced = matches!(self.path, Path::Reduced { .. });
        let seen = if reduced && !own_pot && self.bench.keeps_bias(part) {
            let own = ports(part, &kind);
            let all = self.pots.iter().flat_map(|p| ports(&p.name, &p.kind)).chain(own);
            Some(self.bench.seen_from(&all.collect::<Vec<_>>(), &self.frequencies_hz)?)
        } else {
            None
        };
        Ok(Opened { dialled: self, part: part.to_owned(), kind, seen })
    }
}

/// A circuit with knobs whose one part is to be exchanged.
#[derive(Clone, Debug)]
pub struct Opened<'a> {
    dialled: &'a Dialled,
    part: String,
    kind: Kind,
    seen: Option<Multiport>,
}

impl Opened<'_> {
    /// The circuit with that part in another value.
    ///
    /// # Errors
    /// As [`Dialled::new`].
    pub fn with(&self, kind: &Kind) -> Result<Dialled, CircuitError> {
        let d = self.dialled;
        let mut pots = d.pots.clone();
        if let Some(pot) = pots.iter_mut().find(|p| p.name == self.part) {
            // The circuit was solved with the old track; only what is added to it is another.
            pot.kind = kind.clone();
            return Ok(Dialled { pots, ..d.clone() });
        }
        if let (Some(seen), Path::Reduced { base, .. }) = (&self.seen, &d.path) {
            let mut now = seen.clone();
            for change in added(&self.kind, kind).collect::<Vec<_>>().into_iter().rev() {
                let mut next = Multiport::default();
                now.absorb_into(change, &mut next);
                now = next;
            }
            let path = Path::Reduced { multiport: now, base: base.clone() };
            return Ok(Dialled { path, ..d.clone() });
        }
        let mut circuit = d.bench.circuit().clone();
        circuit.replace(&self.part, kind.clone())?;
        let bench = Bench::new(&circuit, d.bench.source(), d.bench.output())?;
        Dialled::on(bench, d.knobs.clone(), pots, d.frequencies_hz.clone())
    }
}

/// A pot with its wiper at a share of the track; anything else as it is.
pub fn turned(kind: &Kind, share: f64) -> Kind {
    let mut kind = kind.clone();
    if let Kind::Potentiometer { fraction, .. } | Kind::Rheostat { fraction, .. } = &mut kind {
        *fraction = share.clamp(0.0, 1.0);
    }
    kind
}

/// Level of a gain in dB, not below the floor.
pub fn level_db(gain: Complex<f64>) -> f64 {
    (20.0 * gain.norm().log10()).max(FLOOR_DB)
}
