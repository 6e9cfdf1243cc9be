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

/// Largest difference that is still the same position: a twentieth of a minute of the clock.
const SAME_NUMBER: f64 = 1e-3;

fn scale_of(here: &Dialled, there: &Dialled, step: f64) -> presolder::analysis::dials::Scale {
    scale(here, there, &Rules::default(), &every(step), &|| ()).unwrap()
}

// Closed law: the same resistance in the same place is the same amp.
#[test]
fn a_larger_linear_pot_maps_by_the_ratio_until_the_end() {
    let linear = [knob("MID", Taper::Linear)];
    let here = dialled(plate_fed(22e-9, 22e-9, Leg::Pot(25e3)), &linear);
    let there = dialled(plate_fed(22e-9, 22e-9, Leg::Pot(10e3)), &linear);
    let found = scale_of(&here, &there, 0.5);
    for row in &found.rows {
        let expected = (2.5 * row.here.number()).min(10.0);
        let got = row.there[0].position.number();
        assert!((got - expected).abs() < SAME_NUMBER, "{} -> {got}, not {expected}", row.here);
        if row.here.number() <= 4.0 {
            assert!(row.distance.whole_db < 1e-6, "{row:?}");
            assert_eq!(row.likeness, Likeness::Same);
        }
    }
    // 25k reaches the whole 10k at four tenths: 11:00.
    let [end] = found.ends.as_slice() else { panic!("{:?}", found.ends) };
    assert!(end.above && (end.here.number() - 4.0).abs() < 5e-3, "{end:?}");
    assert_eq!(end.clock, "11:00");
    // The other way about nothing ends.
    let back = scale_of(&there, &here, 0.5);
    assert!(back.ends.is_empty(), "{:?}", back.ends);
    for row in &back.rows {
        assert!((row.there[0].position.number() - 0.4 * row.here.number()).abs() < SAME_NUMBER);
    }
}

// Closed law: R(x)/R = (b^x - 1)/(b - 1) on one side, its inverse on the other.
#[test]
fn one_taper_maps_to_another_by_their_laws() {
    let reverse = Taper::reverse_audio(Percent(20.0)).unwrap();
    for (a, b) in [
        (Taper::Linear, audio(15.0)),
        (audio(10.0), Taper::Linear),
        (audio(10.0), audio(20.0)),
        (audio(15.0), reverse),
    ] {
        let stack = || plate_fed(100e-9, 47e-9, Leg::Fixed(6.8e3));
        let here = dialled(stack(), &[knob("TREBLE", a.clone())]);
        let there = dialled(stack(), &[knob("TREBLE", b.clone())]);
        for row in scale_of(&here, &there, 1.0).rows {
            let expected = b.position(a.fraction(row.here)).number();
            let got = row.there[0].position.number();
            assert!(
                (got - expected).abs() < 2.0 * SAME_NUMBER,
                "{a} {b}: {} -> {got}, not {expected}",
                row.here
            );
        }
    }
    // A pot wired the other way round runs backwards.
    let mut backwards = knob("TREBLE", Taper::Linear);
    backwards.reversed = true;
    let stack = || plate_fed(100e-9, 47e-9, Leg::Fixed(6.8e3));
    let here = dialled(stack(), &[knob("TREBLE", Taper::Linear)]);
    for row in scale_of(&here, &dialled(stack(), &[backwards]), 1.0).rows {
        assert!((row.there[0].position.number() + row.here.number() - 10.0).abs() < SAME_NUMBER);
    }
}

/// Where a leg of so many ohms sits on an added 25k linear middle pot, on the scale of 0 to 10.
fn on_the_added_pot(leg: Leg, position: f64) -> f64 {
    let (bass, middle) = (100e-9, 47e-9);
    let knobs = match leg {
        Leg::Fixed(_) => vec![],
        Leg::Pot(_) => vec![knob("MID", Taper::Linear)],
    };
    let fixed = dialled(plate_fed(bass, middle, leg), &knobs);
    let levels = fixed.levels_db(&vec![position / 10.0; knobs.len()]).unwrap();
    let added = dialled(plate_fed(bass, middle, Leg::Pot(25e3)), &[knob("MID", Taper::Linear)]);
    let mark = place(&levels, &added, &Rules::default()).unwrap();
    assert_eq!(mark.likeness, Likeness::Same, "{mark:?}");
    mark.position.number()
}

/// An hour of the clock is one number of the scale; a minute of it is rounding.
const ONE_HOUR: f64 = 1.0 + 1.0 / 60.0;

// common practice, no source
#[test]
fn noon_of_an_added_25k_is_about_the_full_10k_middle() {
    let noon: Position = "12:00".parse().unwrap();
    assert!((on_the_added_pot(Leg::Pot(10e3), 10.0) - noon.number()).abs() <= ONE_HOUR);
}

// common practice, no source
#[test]
fn ten_of_the_clock_of_an_added_25k_is_about_as_built_with_6k8() {
    let ten: Position = "10:00".parse().unwrap();
    assert!((on_the_added_pot(Leg::Fixed(6.8e3), 0.0) - ten.number()).abs() <= ONE_HOUR);
}

// common practice, no source
#[test]
fn a_little_under_nine_of_an_added_25k_is_about_a_10k_middle_at_half() {
    let nine: Position = "8:50".parse().unwrap();
    assert!((on_the_added_pot(Leg::Pot(10e3), 5.0) - nine.number()).abs() <= ONE_HOUR);
}

fn tone_knobs() -> [Knob; 2] {
    [knob("TREBLE", Taper::Linear), knob("BASS", Taper::Linear)]
}

// common practice, no source: two capacitors do not make a plate-fed stack a follower-fed one. The
// figures come from an independent search (another program, other points in the same band).
#[test]
fn two_capacitors_do_not_make_the_other_stack() {
    let target = dialled(follower_fed(), &[]).levels_db(&[]).unwrap();
    let rules = Rules::default();
    for (bass, middle, shape_db, level_db) in
        [(22e-9, 22e-9, 0.84, -11.0), (100e-9, 47e-9, 0.49, -14.1)]
    {
        let plate = dialled(plate_fed(bass, middle, Leg::Fixed(6.8e3)), &tone_knobs());
        let atlas = Atlas::new(&plate, &rules.band).unwrap();
        let shape = atlas.closest(&target, true).unwrap().distance;
        assert!((shape.shape_db - shape_db).abs() < 0.03, "{shape:?}");
        assert!((shape.level_db - level_db).abs() < 0.2, "{shape:?}");
        // Near in shape, and far from a match.
        assert_ne!(rules.likeness(&shape), Likeness::Same);
        let whole = atlas.closest(&target, false).unwrap().distance;
        assert!(whole.whole_db > 8.0, "{whole:?}");
        assert_eq!(rules.likeness(&whole), Likeness::Closest);
    }
}

#[test]
fn the_single_part_that_helps_most_is_found() {
    let target = dialled(follower_fed(), &[]).levels_db(&[]).unwrap();
    let rules = Rules::default();
    let plate = dialled(plate_fed(22e-9, 22e-9, Leg::Fixed(6.8e3)), &tone_knobs());
    let model = follower_fed();
    let found =
        single_changes(&target, &plate, Some(&model.0), Series::E12, &rules, &|| ()).unwrap();
    assert!(found.left_out.is_empty());
    let names: Vec<&str> = found.changes.iter().map(|c| c.part.as_str()).collect();
    assert_eq!(names.len(), plate.bench().circuit().parts().len() - 1, "all but the source");
    // The middle leg sets how much of the signal is lost in the stack.
    assert_eq!(names[0], "MID");
    for change in &found.changes {
        // Each answer again by the plain path: the part changed, the whole circuit solved.
        let mut draft = plate_fed(22e-9, 22e-9, Leg::Fixed(6.8e3));
        let kind = draft.0.part(&change.part).unwrap().kind.clone();
        let new = presolder::analysis::dials::with_value(&kind, change.to);
        draft.0.replace(&change.part, new).unwrap();
        let levels = plain(&mut draft, &[("TREBLE", change.turns[0]), ("BASS", change.turns[1])]);
        let distance = rules.band.distance(&target, &levels);
        assert!(
            (distance.whole_db - change.distance.whole_db).abs() < 1e-6,
            "{change:?} {distance:?}"
        );
        assert!(change.distance.whole_db <= found.now.whole_db + 1e-9, "{change:?}");
        // On a fine grid of both knobs nothing lies lower.
        if change.part == "MID" || change.part == "C3" || change.part == "R1" {
            let best = (0..=50)
                .flat_map(|t| (0..=50).map(move |b| (t, b)))
                .map(|(t, b)| {
                    let turns = [("TREBLE", f64::from(t) / 50.0), ("BASS", f64::from(b) / 50.0)];
                    rules.band.distance(&target, &plain(&mut draft, &turns)).whole_db
                })
                .fold(f64::INFINITY, f64::min);
            assert!(change.distance.whole_db <= best + 1e-9, "{change:?} {best}");
        }
    }
}

/// Levels by the plain path, linear pots at shares of their tracks.
fn plain(draft: &mut Draft, turns: &[(&str, f64)]) -> Vec<f64> {
    for &(pot, share) in turns {
        draft.0.set_fraction(pot, share).unwrap();
    }
    let out = draft.output();
    let linear = LinearCircuit::of(&draft.0).unwrap();
    let gains =
        linear.transfer("V1", out).unwrap().gains(Band::default().frequencies_hz()).unwrap();
    gains.iter().map(|g| 20.0 * g.norm().log10()).collect()
}

#[test]
fn three_free_controls_are_found_again() {
    // The follower-fed stack against itself with every knob on another track.
    let here = dialled(follower_fed(), &[knob("MID", Taper::Linear)]);
    let there = dialled(
        follower_fed(),
        &[knob("TREBLE", audio(15.0)), knob("BASS", audio(10.0)), knob("MID", audio(20.0))],
    );
    for row in scale_of(&here, &there, 2.5).rows {
        assert!(row.distance.whole_db < 1e-3, "{row:?}");
        assert_eq!(row.likeness, Likeness::Same);
    }
}

#[test]
fn reduced_and_plain_paths_agree() {
    let dialled = dialled(
        follower_fed(),
        &[knob("TREBLE", audio(15.0)), knob("BASS", Taper::Linear), knob("MID", audio(20.0))],
    );
    let mut scratch = Scratch::default();
    let out = follower_fed().output();
    for turns in [[0.0, 0.0, 0.0], [1.0, 1.0, 1.0], [0.0, 1.0, 0.3], [0.77, 0.01, 0.99]] {
        let quick = dialled.levels_db(&turns).unwrap();
        let whole = dialled.solved(&turns, &mut scratch).unwrap();
        let gains = whole.transfer("V1", out).unwrap().gains(dialled.frequencies_hz()).unwrap();
        for (quick, gain) in quick.iter().zip(gains) {
            assert!((quick - 20.0 * gain.norm().log10()).abs() < 1e-8, "{turns:?}");
        }
    }
}

#[test]
fn a_control_without_effect_is_named() {
    let mut draft = plate_fed(22e-9, 22e-9, Leg::Fixed(6.8e3));
    // Across the source, with nothing at its wiper.
    draft.pot("IDLE", ["in", "nowhere", "0"], 1e6, 0.5);
    let here = dialled(draft, &[knob("IDLE", Taper::Linear)]);
    let there =
        dialled(plate_fed(22e-9, 22e-9, Leg::Fixed(6.8e3)), &[knob("TREBLE", Taper::Linear)]);
    let found = scale_of(&here, &there, 5.0);
    assert!(found.effects[0].is_none() && !found.effects[1].is_none(), "{:?}", found.effects);
    // Nothing changes from end to end.
    let [[low, high]] = found.effects[0].dead[..] else { panic!("{:?}", found.effects[0]) };
    assert_eq!((low, high), (Position::MIN, Position::MAX));
    for row in &found.rows {
        assert_eq!(row.there[0].position, found.rows[0].there[0].position);
    }
}

#[test]
fn a_dead_zone_is_named() {
    // A measured track that rises over the upper half only.
    let late = Taper::measured(&[(0.0, 0.0), (5.0, 0.0), (10.0, 100.0)]).unwrap();
    let here = dialled(plate_fed(22e-9, 22e-9, Leg::Pot(25e3)), &[knob("MID", late)]);
    let there = dialled(plate_fed(22e-9, 22e-9, Leg::Pot(25e3)), &[knob("MID", Taper::Linear)]);
    let found = scale_of(&here, &there, 2.5);
    assert_eq!(found.effects[0].dead, [[Position::MIN, Position::HALF]]);
    assert!(found.effects[1].dead.is_empty());
}

#[test]
fn weights_and_bands_are_heeded() {
    // A treble pot differs above; with all weight below, its position hardly matters.
    let stack = || plate_fed(22e-9, 22e-9, Leg::Fixed(6.8e3));
    let here = dialled(stack(), &[knob("TREBLE", Taper::Linear)]);
    let (low, high) = (here.levels_db(&[0.2]).unwrap(), here.levels_db(&[0.8]).unwrap());
    let even = Band::default().distance(&low, &high).whole_db;
    let below = Band::default().weighted(&[(100.0, 1.0), (120.0, 0.0)]).unwrap();
    assert!(below.distance(&low, &high).whole_db < 0.5 * even);
    let sum: f64 = below.weights().iter().sum();
    assert!((sum - 1.0).abs() < 1e-12);
    assert!(Band::new(6000.0, 70.0).is_err() && Band::new(0.0, 70.0).is_err());
    assert!(Band::default().weighted(&[(100.0, 0.0)]).is_err());
    assert!(Band::default().weighted(&[(200.0, 1.0), (100.0, 1.0)]).is_err());
}

#[test]
fn the_answer_does_not_depend_on_the_number_of_threads() {
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let here = dialled(follower_fed(), &[knob("MID", Taper::Linear)]);
            let there = dialled(plate_fed(22e-9, 22e-9, Leg::Fixed(6.8e3)), &tone_knobs());
            serde_json::to_string(&scale_of(&here, &there, 1.0)).unwrap()
        })
    };
    assert_eq!(run(1), run(2));
}
