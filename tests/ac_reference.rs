//! The exact response against every table of `tests/reference/ac`, computed with ngspice 39.

mod common;

use nalgebra::Complex;
use presolder::circuit::LinearCircuit;

use common::ngspice::Sweep;
use common::{Deviation, deck, ngspice, reference, table};

/// What the design asks for.
const DECIBELS: f64 = 0.001;
const DEGREES: f64 = 0.01;

/// A reference table: frequencies and gains.
fn read_table(path: &std::path::Path) -> (Vec<f64>, Vec<Complex<f64>>) {
    table::read(path, "frequency_hz,magnitude_db,phase_deg")
        .iter()
        .map(|r| (r[0], Complex::from_polar(10f64.powf(r[1] / 20.0), r[2].to_radians())))
        .unzip()
}

#[test]
fn response_is_that_of_every_reference_table() {
    let mut worst = Deviation::default();
    let tables = table::files(&reference("ac"), "csv");
    assert_eq!(tables.len(), 38, "tables in the folder");
    for path in tables {
        let deck = deck::read(&path.with_extension("cir"));
        let (frequencies_hz, expected) = read_table(&path);
        let linear = LinearCircuit::of(&deck.circuit).expect("an operating point");
        let output = deck.circuit.find_node("out").expect("the node `out`");
        let transfer = linear.transfer("Vin", output).expect("a transfer");
        let gains = transfer.gains(&frequencies_hz).expect("gains");
        for ((gain, expected), hz) in gains.iter().zip(&expected).zip(&frequencies_hz) {
            let deviation = Deviation::between(*gain, *expected);
            assert!(
                deviation.is_within(DECIBELS, DEGREES),
                "{} at {hz} Hz: {gain} instead of {expected}: {deviation:?}",
                path.display()
            );
            worst = worst.worst(deviation);
        }
    }
    println!("worst deviation from the reference tables: {worst:?}");
}

/// The tables still are what ngspice says, and the harness of the other tests (a circuit written
/// out as cards) says the same as the original deck.
#[test]
#[ignore = "needs ngspice; ./scripts/test runs it"]
fn tables_and_harness_are_those_of_ngspice() {
    let (mut of_tables, mut of_harness) = (Deviation::default(), Deviation::default());
    for path in table::files(&reference("ac"), "csv") {
        let deck = deck::read(&path.with_extension("cir"));
        let (frequencies_hz, expected) = read_table(&path);
        let sweep = Sweep::List(&frequencies_hz);
        let original = ngspice::analyse_cards(&deck.cards(), &["out".to_owned()], sweep)
            .unwrap_or_else(|said| panic!("{}: {said}", path.display()));
        let output = deck.circuit.find_node("out").expect("the node `out`");
        let rewritten = ngspice::analyse(&deck.circuit, &deck.valves, "Vin", &[output], sweep)
            .unwrap_or_else(|said| panic!("{}: {said}", path.display()));
        for (i, hz) in frequencies_hz.iter().enumerate() {
            let table = Deviation::between(original.gains[0][i], expected[i]);
            let harness = Deviation::between(rewritten.gains[0][i], original.gains[0][i]);
            // The table is printed to 1e-6 dB and 1e-5 degree.
            assert!(table.is_within(2e-6, 2e-5), "{} at {hz} Hz: {table:?}", path.display());
            assert!(harness.is_within(1e-6, 1e-5), "{} at {hz} Hz: {harness:?}", path.display());
            of_tables = of_tables.worst(table);
            of_harness = of_harness.worst(harness);
        }
    }
    println!("tables against ngspice here: {of_tables:?}; harness against decks: {of_harness:?}");
}
