//! One knob's scale against another's: closed laws, common practice, and amps that do not match.

use presolder::analysis::dials::{
    Atlas, Band, Dialled, Knob, Likeness, Rules, Scratch, place, scale, single_changes,
};
use presolder::circuit::{Circuit, GROUND, Kind, LinearCircuit, Node};
use presolder::units::{Percent, Position, Series, Taper};

const END_OHMS: f64 = 1.0;

/// A circuit being built, by names of nodes.
struct Draft(Circuit);

impl Draft {
    fn new(source_ohms: f64) -> Self {
        let mut draft = Self(Circuit::new());
        let input = draft.0.node("in");
        draft.put("V1", Kind::Source { plus: input, minus: GROUND, volts: 0.0 });
        draft.resistor("Rs", ["in", "p"], source_ohms);
        draft
    }

    fn put(&mut self, name: &str, kind: Kind) {
        self.0.add(name, kind).unwrap();
    }

    fn nodes(&mut self, between: [&str; 2]) -> [Node; 2] {
        between.map(|n| self.0.node(n))
    }

    fn resistor(&mut self, name: &str, between: [&str; 2], ohms: f64) {
        let between = self.nodes(between);
        self.put(name, Kind::Resistor { between, ohms });
    }

    fn capacitor(&mut self, name: &str, between: [&str; 2], farads: f64) {
        let between = self.nodes(between);
        self.put(name, Kind::Capacitor { between, farads });
    }

    fn rheostat(&mut self, name: &str, between: [&str; 2], ohms: f64, fraction: f64) {
        let between = self.nodes(between);
        self.put(name, Kind::Rheostat { between, ohms, fraction, end_ohms: END_OHMS });
    }

    fn pot(&mut self, name: &str, [hot, wiper, cold]: [&str; 3], ohms: f64, fraction: f64) {
        let [hot, wiper, cold] = [hot, wiper, cold].map(|n| self.0.node(n));
        let end_ohms = END_OHMS;
        self.put(name, Kind::Potentiometer { hot, wiper, cold, ohms, fraction, end_ohms });
    }

    fn output(&mut self) -> Node {
        self.0.node("out")
    }
}

/// What the middle leg of a plate-fed stack is.
enum Leg {
    Fixed(f64),
    Pot(f64),
}

/// The plate-fed stack from 38k into 1M beside 100 pF.
fn plate_fed(bass_f: f64, middle_f: f64, leg: Leg) -> Draft {
    let mut d = Draft::new(38e3);
    d.capacitor("C1", ["p", "t"], 250e-12);
    d.resistor("R1", ["p", "s"], 100e3);
    d.capacitor("C2", ["s", "b"], bass_f);
    d.capacitor("C3", ["s", "m"], middle_f);
    d.pot("TREBLE", ["t", "out", "b"], 250e3, 0.5);
    d.rheostat("BASS", ["b", "m"], 250e3, 0.5);
    match leg {
        Leg::Fixed(ohms) => d.resistor("MID", ["m", "0"], ohms),
        Leg::Pot(ohms) => d.rheostat("MID", ["m", "0"], ohms, 0.5),
    }
    load(&mut d);
    d
}

/// The follower-fed stack from 600 ohm into the same.
fn follower_fed() -> Draft {
    let mut d = Draft::new(600.0);
    d.capacitor("C1", ["p", "t"], 470e-12);
    d.resistor("R1", ["p", "s"], 33e3);
    d.capacitor("C2", ["s", "b"], 22e-9);
    d.capacitor("C3", ["s", "w"], 22e-9);
    d.pot("TREBLE", ["t", "out", "b"], 250e3, 0.5);
    d.rheostat("BASS", ["b", "m"], 1e6, 0.5);
    d.pot("MID", ["m", "w", "0"], 25e3, 0.5);
    load(&mut d);
    d
}

fn load(d: &mut Draft) {
    d.resistor("RL", ["out", "0"], 1e6);
    d.capacitor("CL", ["out", "0"], 100e-12);
}

fn knob(name: &str, taper: Taper) -> Knob {
    Knob {
        name: name.to_lowercase(),
        pots: vec![name.to_owned()],
        taper,
        reversed: false,
        position: Position::HALF,
    }
}

fn dialled(mut draft: Draft, knobs: &[Knob]) -> Dialled {
    let out = draft.output();
    Dialled::new(&draft.0, "V1", out, knobs, Band::default().frequencies_hz()).unwrap()
}

fn audio(percent: f64) -> Taper {
    Taper::audio(Percent(percent)).unwrap()
}

fn every(step: f64) -> Vec<Position> {
    let count = (10.0 / step).round() as usize;
    (0..=count).map(|k| Position::from_turn(k as f64 / count as f64)).collect()
}

#[test]
fn show_negative() {
    for (b, m) in [(22e-9, 22e-9), (100e-9, 47e-9)] {
        let target = dialled(follower_fed(), &[]).levels_db(&[]).unwrap();
        let here = dialled(
            plate_fed(b, m, Leg::Fixed(6.8e3)),
            &[knob("TREBLE", Taper::Linear), knob("BASS", Taper::Linear)],
        );
        let band = Band::default();
        let atlas = Atlas::new(&here, &band).unwrap();
        for allowed in [true, false] {
            let found = atlas.closest(&target, allowed).unwrap();
            println!("{b:e} {allowed} {found:?}");
        }
        let t = std::time::Instant::now();
        let c = single_changes(
            &target,
            &here,
            Some(&follower_fed().0),
            Series::E12,
            &Rules::default(),
            &|| (),
        )
        .unwrap();
        println!("{:?} {:?}", c.now, t.elapsed());
        for c in c.changes.iter().take(12) {
            println!("{} {:e} -> {:e} {:?} {:?}", c.part, c.from, c.to, c.turns, c.distance);
        }
    }
}
