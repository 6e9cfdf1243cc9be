//! The exact response and the operating point of random networks against ngspice.

mod common;

use presolder::circuit::{LinearCircuit, OperatingPoint};
use rayon::prelude::*;

use common::networks::{Network, random_network};
use common::ngspice::Sweep;
use common::rng::Rng;
use common::{Deviation, decibels, ngspice};

const NETWORKS: u64 = 200;
/// How the message begins where ngspice, not we, has no answer.
const MUTE: &str = "ngspice gave no answer";
/// What the design asks for.
const DECIBELS: f64 = 0.001;
const DEGREES: f64 = 0.01;
/// Rounding in ngspice has been seen at -197 dB of the input, at a node that the signal does not reach at all.
const FLOOR_DB: f64 = -180.0;
/// 33 frequencies.
const SWEEP: Sweep = Sweep::Decades { each: 8, from_hz: 10.0, to_hz: 100e3 };

/// Our answer against ngspice's; the worst deviation, or a text that says what differs.
fn compare(network: &Network) -> Result<(Deviation, f64), String> {
    let Network { circuit, valves, outputs } = network;
    let theirs = ngspice::analyse(circuit, valves, "Vin", outputs, SWEEP)
        .map_err(|said| format!("{MUTE}: {said}"))?;
    let point = OperatingPoint::solve(circuit).map_err(|e| e.to_string())?;
    let linear = LinearCircuit::new(circuit, &point).map_err(|e| e.to_string())?;
    let ours = linear.gains("Vin", outputs, &theirs.frequencies_hz).map_err(|e| e.to_string())?;

    let mut worst = Deviation::default();
    let mut worst_rest = 0.0f64;
    for (o, &node) in outputs.iter().enumerate() {
        let name = circuit.node_name(node);
        let (rest, expected) = (point.node_volts(node), theirs.rest_volts[o]);
        let off = (rest - expected).abs() / expected.abs().max(1.0);
        if off.is_nan() || off > 1e-6 {
            return Err(format!("{name} rests at {rest} V, ngspice says {expected} V"));
        }
        worst_rest = worst_rest.max(off);
        for (i, hz) in theirs.frequencies_hz.iter().enumerate() {
            let (gain, expected) = (ours[o][i], theirs.gains[o][i]);
            if decibels(expected) < FLOOR_DB && decibels(gain) < FLOOR_DB {
                continue;
            }
            let deviation = Deviation::between(gain, expected);
            if !deviation.is_within(DECIBELS, DEGREES) {
                return Err(format!(
                    "{name} at {hz} Hz: {gain} ({} dB), ngspice says {expected}: {deviation:?}",
                    decibels(gain)
                ));
            }
            worst = worst.worst(deviation);
        }
    }
    Ok((worst, worst_rest))
}

#[test]
#[ignore = "needs ngspice; ./scripts/test runs it"]
fn random_networks_answer_as_in_ngspice() {
    let seed = Rng::announced_seed();
    let answers: Vec<_> = (0..NETWORKS)
        .into_par_iter()
        .map(|i| {
            let draw = |i| random_network(&mut Rng::new(seed.wrapping_mul(1_000_003) + i));
            let mut network = draw(i);
            let mut answer = compare(&network);
            // Now and then ngspice finds no operating point at all; then another network is asked.
            let mute = answer.as_ref().is_err_and(|said| said.starts_with(MUTE));
            if mute {
                network = draw(i + NETWORKS);
                answer = compare(&network);
            }
            (i, network.circuit.parts().len(), answer, mute)
        })
        .collect();
    let mute = answers.iter().filter(|a| a.3).count();
    assert!(mute <= 4, "ngspice gave no answer for {mute} of {NETWORKS}");
    let (mut worst, mut worst_rest, mut parts) = (Deviation::default(), 0.0f64, 0);
    let mut failures = Vec::new();
    for (i, count, answer, _) in answers {
        parts += count;
        match answer {
            Ok((deviation, rest)) => {
                worst = worst.worst(deviation);
                worst_rest = worst_rest.max(rest);
            }
            Err(what) => failures.push(format!("network {i} of seed {seed}: {what}")),
        }
    }
    println!("{NETWORKS} networks of {parts} parts: worst {worst:?}, at rest {worst_rest:e}");
    assert!(failures.is_empty(), "{} of {NETWORKS}:\n{}", failures.len(), failures.join("\n"));
}
