//! Reads a reference deck back into a circuit: R, C, L, K and V cards as they are, the B cards of a
//! valve (in the one form the reference decks use, which is checked to the letter) as a valve.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use presolder::circuit::{Circuit, Kind, Winding};
use presolder::valves::{
    GridConduction, KorenPentode, KorenPentodeConstants, KorenTriode, KorenTriodeConstants,
    PentodeCapacitances, PentodeType, TriodeCapacitances, TriodeType,
};

use super::cards::{PentodeCard, TriodeCard, ValveCards};

/// A deck as a circuit. The input is the source `Vin`.
#[derive(Clone, Debug)]
pub struct Deck {
    pub circuit: Circuit,
    pub valves: ValveCards,
    /// The deck as it was read.
    pub text: String,
}

impl Deck {
    /// Cards without the title and the closing `.end`.
    pub fn cards(&self) -> String {
        let lines = self.text.lines().skip(1).filter(|l| l.trim() != ".end");
        lines.map(|l| format!("{l}\n")).collect()
    }
}

/// Reads a deck. Anything that it does not know makes the test fail.
pub fn read(path: &Path) -> Deck {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut reader = Reader::default();
    for line in text.lines().skip(1).map(str::trim).filter(|l| !l.is_empty() && *l != ".end") {
        reader.card(line);
    }
    let (circuit, valves) = reader.finish();
    Deck { circuit, valves, text }
}

/// A number with ngspice's scale letters.
pub fn number(text: &str) -> f64 {
    let lower = text.to_ascii_lowercase();
    let scales = [
        ("meg", 1e6),
        ("f", 1e-15),
        ("p", 1e-12),
        ("n", 1e-9),
        ("u", 1e-6),
        ("m", 1e-3),
        ("k", 1e3),
    ];
    for (letters, scale) in scales {
        if let Some(digits) = lower.strip_suffix(letters) {
            return digits.parse::<f64>().unwrap_or_else(|e| panic!("{text}: {e}")) * scale;
        }
    }
    lower.parse().unwrap_or_else(|e| panic!("{text}: {e}"))
}

/// What stands at each `{}` of the pattern, if the text fits it to the last letter.
fn captures<'a>(pattern: &str, text: &'a str) -> Option<Vec<&'a str>> {
    let mut pieces = pattern.split("{}");
    let mut rest = text.strip_prefix(pieces.next()?)?;
    let mut found = Vec::new();
    let mut pieces = pieces.peekable();
    while let Some(piece) = pieces.next() {
        let at = if piece.is_empty() && pieces.peek().is_none() {
            rest.len()
        } else {
            rest.find(piece)?
        };
        found.push(&rest[..at]);
        rest = &rest[at + piece.len()..];
    }
    rest.is_empty().then_some(found)
}

/// Captures that must be the same wherever they stand in the expression.
fn same<'a>(of: &[&'a str]) -> &'a str {
    assert!(of.iter().all(|o| o == &of[0]), "one thing has several values: {of:?}");
    of[0]
}

#[derive(Default)]
struct Reader {
    circuit: Circuit,
    capacitors: BTreeMap<String, [String; 3]>,
    inductors: BTreeMap<String, [String; 3]>,
    couplings: Vec<[String; 3]>,
    /// B cards by valve: letter of the card to nodes and expression.
    valves: BTreeMap<String, BTreeMap<char, [String; 3]>>,
}

impl Reader {
    fn card(&mut self, line: &str) {
        let words: Vec<&str> = line.split_whitespace().collect();
        let name = words[0].to_owned();
        let three = || [words[1].to_owned(), words[2].to_owned(), words[3].to_owned()];
        match &line[..1] {
            "R" => {
                let between = [words[1], words[2]].map(|n| self.circuit.node(n));
                let ohms = number(words[3]);
                self.circuit.add(&name, Kind::Resistor { between, ohms }).expect("a resistor");
            }
            "C" => {
                self.capacitors.insert(name, three());
            }
            "L" => {
                self.inductors.insert(name, three());
            }
            "K" => self.couplings.push(three()),
            "V" => {
                let [plus, minus] = [words[1], words[2]].map(|n| self.circuit.node(n));
                let volts = number(if words[3] == "dc" { words[4] } else { words[3] });
                self.circuit.add(&name, Kind::Source { plus, minus, volts }).expect("a source");
            }
            "B" => {
                let valve = name[1..name.len() - 1].to_owned();
                let letter = name.chars().last().expect("a name");
                let expression = line.split_once(" = ").expect("an expression").1.to_owned();
                let card = [words[1].to_owned(), words[2].to_owned(), expression];
                self.valves.entry(valve).or_default().insert(letter, card);
            }
            _ => panic!("no such card: {line}"),
        }
    }

    fn finish(mut self) -> (Circuit, ValveCards) {
        let mut cards = ValveCards::default();
        for (name, of) in std::mem::take(&mut self.valves) {
            let [plate, cathode, _] = of[&'p'].clone();
            let grid = of[&'g'][0].clone();
            if of.contains_key(&'s') {
                let screen = of[&'s'][0].clone();
                let card = pentode_card(&name, &of);
                let capacitances = PentodeCapacitances {
                    grid_plate_f: self.take_capacitor(&name, "gp", &grid, &plate),
                    grid_cathode_f: self.take_capacitor(&name, "gk", &grid, &cathode),
                };
                let valve = pentode_type(&name, card, capacitances);
                let [plate, screen, grid, cathode] =
                    [plate, screen, grid, cathode].map(|n| self.circuit.node(&n));
                let kind = Kind::Pentode { plate, screen, grid, cathode, valve };
                self.circuit.add(&name, kind).expect("a pentode");
                cards.pentodes.insert(name, card);
            } else {
                let card = triode_card(&name, &of);
                let capacitances = TriodeCapacitances {
                    grid_cathode_f: self.take_capacitor(&name, "gk", &grid, &cathode),
                    grid_plate_f: self.take_capacitor(&name, "gp", &grid, &plate),
                    plate_cathode_f: self.take_capacitor(&name, "pk", &plate, &cathode),
                };
                let valve = triode_type(&name, card, capacitances);
                let [plate, grid, cathode] = [plate, grid, cathode].map(|n| self.circuit.node(&n));
                let kind = Kind::Triode { plate, grid, cathode, valve };
                self.circuit.add(&name, kind).expect("a triode");
                cards.triodes.insert(name, card);
            }
        }
        for (name, [a, b, farads]) in std::mem::take(&mut self.capacitors) {
            let between = [a, b].map(|n| self.circuit.node(&n));
            let farads = number(&farads);
            self.circuit.add(&name, Kind::Capacitor { between, farads }).expect("a capacitor");
        }
        self.windings();
        for (name, [a, b, henries]) in std::mem::take(&mut self.inductors) {
            let between = [a, b].map(|n| self.circuit.node(&n));
            let henries = number(&henries);
            self.circuit.add(&name, Kind::Inductor { between, henries }).expect("an inductor");
        }
        (self.circuit, cards)
    }

    /// The capacitor `C<valve><which>`, which belongs to the valve.
    fn take_capacitor(&mut self, valve: &str, which: &str, from: &str, to: &str) -> f64 {
        let name = format!("C{valve}{which}");
        let [a, b, farads] = self.capacitors.remove(&name).unwrap_or_else(|| panic!("no {name}"));
        assert_eq!([a.as_str(), b.as_str()], [from, to], "nodes of {name}");
        number(&farads)
    }

    /// All coupled inductors of a deck as one set of windings.
    fn windings(&mut self) {
        let couplings = std::mem::take(&mut self.couplings);
        let Some([_, _, coupling]) = couplings.first().cloned() else { return };
        let mut names: Vec<String> =
            couplings.iter().flat_map(|[a, b, _]| [a.clone(), b.clone()]).collect();
        names.sort();
        names.dedup();
        assert!(couplings.iter().all(|[_, _, k]| *k == coupling), "one coupling for all pairs");
        assert_eq!(couplings.len(), names.len() * (names.len() - 1) / 2, "every pair is coupled");
        let windings = names
            .iter()
            .map(|name| {
                let [a, b, henries] = self.inductors.remove(name).expect("the coupled inductor");
                let between = [a, b].map(|n| self.circuit.node(&n));
                Winding { between, henries: number(&henries), ohms: 0.0 }
            })
            .collect();
        let kind = Kind::Windings { windings, coupling: number(&coupling) };
        self.circuit.add("T", kind).expect("windings");
    }
}

fn grid_card(of: &BTreeMap<char, [String; 3]>) -> [f64; 3] {
    let [grid, cathode, expression] = &of[&'g'];
    let v = format!("v({grid},{cathode})");
    let c = captures("{}*pow(ln(1+exp(min(80,{}*{})))/{},{})", expression).expect("a grid law");
    assert_eq!(c[2], v);
    [c[0], same(&[c[1], c[3]]), c[4]].map(number)
}

fn triode_card(name: &str, of: &BTreeMap<char, [String; 3]>) -> TriodeCard {
    let [plate, cathode, current] = &of[&'p'];
    let vp = format!("v({plate},{cathode})");
    let vg = format!("v({},{cathode})", of[&'g'][0]);
    let e = captures(
        &format!("{vp}/{{}}*ln(1+exp(min(80,{{}}*(1/{{}}+{vg}/sqrt({{}}+{vp}*{vp})))))"),
        &of[&'e'][2],
    )
    .expect("Koren's E1");
    let p = captures(&format!("v({name}e)>0 ? 2*pow(v({name}e),{{}})/{{}} : 0"), current)
        .expect("Koren's plate current");
    let [gg, cg, xi] = grid_card(of);
    let [kp, mu, kvb, ex, kg1] = [same(&[e[0], e[1]]), e[2], e[3], p[0], p[1]].map(number);
    TriodeCard { mu, ex, kg1, kp, kvb, gg, cg, xi }
}

fn pentode_card(name: &str, of: &BTreeMap<char, [String; 3]>) -> PentodeCard {
    let [plate, cathode, current] = &of[&'p'];
    let vp = format!("v({plate},{cathode})");
    let vs = format!("v({},{cathode})", of[&'s'][0]);
    let vg = format!("v({},{cathode})", of[&'g'][0]);
    let e = captures(
        &format!("{vs}/{{}}*ln(1+exp(min(80,{{}}*(1/{{}}+{vg}/max({vs},1)))))"),
        &of[&'e'][2],
    )
    .expect("Koren's E1");
    let p = captures(
        &format!("v({name}e)>0 ? 2*pow(v({name}e),{{}})/{{}}*atan({vp}/{{}}) : 0"),
        current,
    )
    .expect("Koren's plate current");
    let s =
        captures(&format!("({vs}/{{}}+{vg})>0 ? pow({vs}/{{}}+{vg},{{}})/{{}} : 0"), &of[&'s'][2])
            .expect("Koren's screen current");
    let [gg, cg, xi] = grid_card(of);
    let mu = same(&[e[2], s[0], s[1]]);
    let ex = same(&[p[0], s[2]]);
    let [kp, mu, ex, kg1, kvb, kg2] = [same(&[e[0], e[1]]), mu, ex, p[1], p[2], s[3]].map(number);
    PentodeCard { mu, ex, kg1, kg2, kp, kvb, gg, cg, xi }
}

/// The program's own law with the parameters of a card.
pub fn triode_type(name: &str, card: TriodeCard, capacitances: TriodeCapacitances) -> TriodeType {
    let TriodeCard { mu, ex, kg1, kp, kvb, gg, cg, xi } = card;
    let source = String::from("the deck");
    let law = KorenTriode {
        plate: KorenTriodeConstants {
            mu,
            ex,
            kg1,
            kp,
            kvb,
            kvb2: 0.0,
            contact_volts: 0.0,
            source: source.clone(),
        },
        grid: GridConduction { gg, cg, xi, source },
    };
    TriodeType { name: name.to_owned(), law: Arc::new(law), capacitances }
}

/// The program's own law with the parameters of a card.
pub fn pentode_type(
    name: &str,
    card: PentodeCard,
    capacitances: PentodeCapacitances,
) -> PentodeType {
    let PentodeCard { mu, ex, kg1, kg2, kp, kvb, gg, cg, xi } = card;
    let source = String::from("the deck");
    let law = KorenPentode {
        constants: KorenPentodeConstants { mu, ex, kg1, kg2, kp, kvb, source: source.clone() },
        grid: GridConduction { gg, cg, xi, source },
    };
    PentodeType { name: name.to_owned(), law: Arc::new(law), capacitances }
}
