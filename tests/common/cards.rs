//! A circuit as cards of an ngspice deck.
//!
//! Valves are written out as the reference decks write them, from parameters that the test gives,
//! not from the program's own laws: those are what is judged.

use std::collections::BTreeMap;
use std::fmt::Write;

use presolder::circuit::{Circuit, Kind, Node, Winding};
use presolder::valves::Library;

/// Parameters of a triode in the reference decks: plate current after Koren 1996, grid current in
/// the form of Dempwolf and Zoelzer 2011.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TriodeCard {
    pub mu: f64,
    pub ex: f64,
    pub kg1: f64,
    pub kp: f64,
    pub kvb: f64,
    pub gg: f64,
    pub cg: f64,
    pub xi: f64,
}

/// Parameters of a triode whose cathode current grid and plate share (Dempwolf and Zoelzer 2011,
/// table 1); no reference deck has one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SharedCurrentCard {
    pub g: f64,
    pub mu: f64,
    pub gamma: f64,
    pub c: f64,
    pub ig0: f64,
    pub gg: f64,
    pub cg: f64,
    pub xi: f64,
}

/// Parameters of a triode with the plate current of Cohen and Helie 2012: Koren's form with `kvb2`
/// under the root and `contact_volts` at the grid. No reference deck has one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ContactCard {
    pub koren: TriodeCard,
    pub kvb2: f64,
    pub contact_volts: f64,
}

/// Parameters of a pentode in the reference decks, likewise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PentodeCard {
    pub mu: f64,
    pub ex: f64,
    pub kg1: f64,
    pub kg2: f64,
    pub kp: f64,
    pub kvb: f64,
    pub gg: f64,
    pub cg: f64,
    pub xi: f64,
}

/// Parameters of the valves of a circuit, by the name of the valve type.
#[derive(Clone, Debug, Default)]
pub struct ValveCards {
    pub triodes: BTreeMap<String, TriodeCard>,
    pub shared_current: BTreeMap<String, SharedCurrentCard>,
    pub contact: BTreeMap<String, ContactCard>,
    pub pentodes: BTreeMap<String, PentodeCard>,
}

/// The parameters of the reference decks' equations, from the valve files.
pub fn of_library(library: &Library) -> ValveCards {
    let mut cards = ValveCards::default();
    for file in library.files() {
        let name = file.type_name.clone();
        if let Some(t) = &file.triode
            && let (Some(k), Some(g)) = (&t.koren, &t.grid)
        {
            cards.triodes.insert(
                name.clone(),
                TriodeCard {
                    mu: k.mu,
                    ex: k.ex,
                    kg1: k.kg1,
                    kp: k.kp,
                    kvb: k.kvb,
                    gg: g.gg,
                    cg: g.cg,
                    xi: g.xi,
                },
            );
        }
        if let Some(p) = &file.pentode {
            let (k, g) = (&p.koren, &p.grid);
            cards.pentodes.insert(
                name,
                PentodeCard {
                    mu: k.mu,
                    ex: k.ex,
                    kg1: k.kg1,
                    kg2: k.kg2,
                    kp: k.kp,
                    kvb: k.kvb,
                    gg: g.gg,
                    cg: g.cg,
                    xi: g.xi,
                },
            );
        }
    }
    cards
}

/// The cards of all parts. Nodes are called `n` and their index, ground `0`; designators keep
/// their names behind the letter of the card.
pub fn write(circuit: &Circuit, valves: &ValveCards, input: &str) -> String {
    let mut writer = Writer { deck: String::new(), circuit, valves, input };
    for part in circuit.parts() {
        // A supply's name has a space, which a card can't have.
        writer.part(&part.name.replace(' ', "_"), &part.kind);
    }
    writer.deck
}

/// The same with a sine, of so many volts peak, in place of the input's small signal.
pub fn with_sine(
    circuit: &Circuit,
    valves: &ValveCards,
    input: &str,
    peak_volts: f64,
    frequency_hz: f64,
) -> String {
    let cards = write(circuit, valves, input);
    assert_eq!(cards.matches(" ac 1\n").count(), 1, "one input");
    cards.replace(" ac 1\n", &format!(" sin(0 {peak_volts:e} {frequency_hz:e})\n"))
}

/// Name of a node in the deck.
pub fn node(n: Node) -> String {
    if n.0 == 0 { "0".to_owned() } else { format!("n{}", n.0) }
}

struct Writer<'a> {
    deck: String,
    circuit: &'a Circuit,
    valves: &'a ValveCards,
    input: &'a str,
}

impl Writer<'_> {
    fn card(&mut self, card: std::fmt::Arguments) {
        self.deck.write_fmt(card).expect("writing to a string");
        self.deck.push('\n');
    }

    fn capacitor(&mut self, name: &str, from: &str, to: &str, farads: f64) {
        if farads > 0.0 {
            self.card(format_args!("C{name} {from} {to} {farads:e}"));
        }
    }

    fn is_sensed(&self, name: &str) -> bool {
        self.circuit.parts().any(
            |p| matches!(&p.kind, Kind::CurrentControlledSource { sensed, .. } if sensed == name),
        )
    }

    fn part(&mut self, name: &str, kind: &Kind) {
        match kind {
            Kind::Resistor { between: [a, b], ohms } => {
                self.card(format_args!("R{name} {} {} {ohms:e}", node(*a), node(*b)));
            }
            Kind::Capacitor { between: [a, b], farads } => {
                if self.is_sensed(name) {
                    self.card(format_args!("Vsense_{name} {} sense_{name} 0", node(*a)));
                    self.capacitor(name, &format!("sense_{name}"), &node(*b), *farads);
                } else {
                    self.capacitor(name, &node(*a), &node(*b), *farads);
                }
            }
            Kind::Inductor { between: [a, b], henries } => {
                self.card(format_args!("L{name} {} {} {henries:e}", node(*a), node(*b)));
            }
            Kind::Windings { windings, coupling } => self.windings(name, windings, *coupling),
            Kind::Source { plus, minus, volts } => {
                let ac = if name == self.input { " ac 1" } else { "" };
                self.card(format_args!(
                    "V{name} {} {} dc {volts:e}{ac}",
                    node(*plus),
                    node(*minus)
                ));
            }
            Kind::Potentiometer { hot, wiper, cold, ohms, fraction, end_ohms } => {
                let upper = ((1.0 - fraction) * ohms).max(*end_ohms);
                let lower = (fraction * ohms).max(*end_ohms);
                self.card(format_args!("R{name}_a {} {} {upper:e}", node(*hot), node(*wiper)));
                self.card(format_args!("R{name}_b {} {} {lower:e}", node(*wiper), node(*cold)));
            }
            Kind::Rheostat { between: [a, b], ohms, fraction, end_ohms } => {
                let ohms = (fraction * ohms).max(*end_ohms);
                self.card(format_args!("R{name} {} {} {ohms:e}", node(*a), node(*b)));
            }
            Kind::Triode { plate, grid, cathode, valve } => {
                let (p, g, k) = (node(*plate), node(*grid), node(*cathode));
                if let Some(card) = self.valves.shared_current.get(&valve.name) {
                    self.shared_current_triode(name, [&p, &g, &k], *card);
                } else if let Some(card) = self.valves.contact.get(&valve.name) {
                    self.contact_triode(name, [&p, &g, &k], *card);
                } else {
                    let card = self.valves.triodes.get(&valve.name);
                    self.triode(name, [&p, &g, &k], *card.expect("a card of this triode"));
                }
                let c = valve.capacitances;
                self.capacitor(&format!("{name}_gk"), &g, &k, c.grid_cathode_f);
                self.capacitor(&format!("{name}_gp"), &g, &p, c.grid_plate_f);
                self.capacitor(&format!("{name}_pk"), &p, &k, c.plate_cathode_f);
            }
            Kind::Pentode { plate, screen, grid, cathode, valve } => {
                let (p, s, g, k) = (node(*plate), node(*screen), node(*grid), node(*cathode));
                let card = *self.valves.pentodes.get(&valve.name).expect("a card of this pentode");
                self.pentode(name, [&p, &s, &g, &k], card);
                let c = valve.capacitances;
                self.capacitor(&format!("{name}_gp"), &g, &p, c.grid_plate_f);
                self.capacitor(&format!("{name}_gk"), &g, &k, c.grid_cathode_f);
            }
            Kind::Diode { anode, cathode, saturation_a, emission } => {
                self.card(format_args!("D{name} {} {} d_{name}", node(*anode), node(*cathode)));
                self.card(format_args!(".model d_{name} D(IS={saturation_a:e} N={emission:e})"));
            }
            Kind::VoltageControlledSource { plus, minus, control: [a, b], gain } => {
                let [plus, minus, a, b] = [plus, minus, a, b].map(|n| node(*n));
                self.card(format_args!("E{name} {plus} {minus} {a} {b} {gain:e}"));
            }
            Kind::CurrentControlledSource { plus, minus, sensed, ohms } => {
                let (plus, minus) = (node(*plus), node(*minus));
                self.card(format_args!("H{name} {plus} {minus} Vsense_{sensed} {ohms:e}"));
            }
            Kind::Section { input, output, numerator, denominator } => {
                self.section(name, &node(*input), &node(*output), *numerator, *denominator);
            }
        }
    }

    fn windings(&mut self, name: &str, windings: &[Winding], coupling: f64) {
        for (i, w) in windings.iter().enumerate() {
            let [start, finish] = w.between.map(node);
            if w.ohms > 0.0 {
                self.card(format_args!("L{name}_{i} {start} {name}_{i} {:e}", w.henries));
                self.card(format_args!("R{name}_{i} {name}_{i} {finish} {:e}", w.ohms));
            } else {
                self.card(format_args!("L{name}_{i} {start} {finish} {:e}", w.henries));
            }
        }
        if coupling > 0.0 {
            for i in 0..windings.len() {
                for j in 0..i {
                    self.card(format_args!("K{name}_{j}_{i} L{name}_{j} L{name}_{i} {coupling:e}"));
                }
            }
        }
    }

    fn triode(&mut self, name: &str, [p, g, k]: [&str; 3], card: TriodeCard) {
        let TriodeCard { mu, ex, kg1, kp, kvb, gg, cg, xi } = card;
        let (vp, vg) = (format!("v({p},{k})"), format!("v({g},{k})"));
        self.card(format_args!(
            "B{name}e e_{name} 0 V = \
             {vp}/{kp:e}*ln(1+exp(min(80,{kp:e}*(1/{mu:e}+{vg}/sqrt({kvb:e}+{vp}*{vp})))))"
        ));
        self.card(format_args!(
            "B{name}p {p} {k} I = v(e_{name})>0 ? 2*pow(v(e_{name}),{ex:e})/{kg1:e} : 0"
        ));
        self.grid(name, g, k, [gg, cg, xi]);
    }

    fn shared_current_triode(&mut self, name: &str, [p, g, k]: [&str; 3], card: SharedCurrentCard) {
        let SharedCurrentCard { g: perveance, mu, gamma, c, ig0, gg, cg, xi } = card;
        let (vp, vg) = (format!("v({p},{k})"), format!("v({g},{k})"));
        self.card(format_args!(
            "B{name}e e_{name} 0 V = ln(1+exp(min(80,{c:e}*({vp}/{mu:e}+{vg}))))/{c:e}"
        ));
        self.card(format_args!("B{name}c {p} {k} I = {perveance:e}*pow(v(e_{name}),{gamma:e})"));
        // What the grid takes, the plate does not get: from the plate's node into the grid's.
        self.card(format_args!(
            "B{name}g {g} {p} I = {ig0:e}+\
             {gg:e}*pow(ln(1+exp(min(80,{cg:e}*{vg})))/{cg:e},{xi:e})"
        ));
    }

    fn contact_triode(&mut self, name: &str, [p, g, k]: [&str; 3], card: ContactCard) {
        let ContactCard { koren: TriodeCard { mu, ex, kg1, kp, kvb, gg, cg, xi }, .. } = card;
        let (kvb2, contact) = (card.kvb2, card.contact_volts);
        let (vp, vg) = (format!("v({p},{k})"), format!("(v({g},{k})+{contact:e})"));
        self.card(format_args!(
            "B{name}e e_{name} 0 V = {vp}/{kp:e}*ln(1+exp(min(80,\
             {kp:e}*(1/{mu:e}+{vg}/sqrt({kvb:e}+{kvb2:e}*max({vp},0)+{vp}*{vp})))))"
        ));
        self.card(format_args!(
            "B{name}p {p} {k} I = v(e_{name})>0 ? 2*pow(v(e_{name}),{ex:e})/{kg1:e} : 0"
        ));
        self.grid(name, g, k, [gg, cg, xi]);
    }

    fn pentode(&mut self, name: &str, [p, s, g, k]: [&str; 4], card: PentodeCard) {
        let PentodeCard { mu, ex, kg1, kg2, kp, kvb, gg, cg, xi } = card;
        let (vp, vs, vg) = (format!("v({p},{k})"), format!("v({s},{k})"), format!("v({g},{k})"));
        self.card(format_args!(
            "B{name}e e_{name} 0 V = \
             {vs}/{kp:e}*ln(1+exp(min(80,{kp:e}*(1/{mu:e}+{vg}/max({vs},1)))))"
        ));
        self.card(format_args!(
            "B{name}p {p} {k} I = \
             v(e_{name})>0 ? 2*pow(v(e_{name}),{ex:e})/{kg1:e}*atan({vp}/{kvb:e}) : 0"
        ));
        let bracket = format!("{vs}/{mu:e}+{vg}");
        self.card(format_args!(
            "B{name}s {s} {k} I = ({bracket})>0 ? pow({bracket},{ex:e})/{kg2:e} : 0"
        ));
        self.grid(name, g, k, [gg, cg, xi]);
    }

    fn grid(&mut self, name: &str, g: &str, k: &str, [gg, cg, xi]: [f64; 3]) {
        self.card(format_args!(
            "B{name}g {g} {k} I = {gg:e}*pow(ln(1+exp(min(80,{cg:e}*v({g},{k}))))/{cg:e},{xi:e})"
        ));
    }

    /// u = in - d1 u' - d2 u'' and out = n0 u + n1 u' + n2 u'', the derivatives being currents of
    /// capacitors across copies of u and u', in units of tau so that the numbers keep to 1.
    fn section(&mut self, name: &str, input: &str, output: &str, n: [f64; 3], d: [f64; 2]) {
        let tau = if d[1] != 0.0 {
            d[1].abs().sqrt()
        } else if d[0] != 0.0 {
            d[0].abs()
        } else {
            1.0
        };
        for (i, of) in [(1, "u"), (2, "w1")] {
            self.card(format_args!("E{name}_b{i} {name}_b{i} 0 {name}_{of} 0 1"));
            self.card(format_args!("Vsense_{name}_{i} {name}_b{i} {name}_c{i} 0"));
            self.card(format_args!("C{name}_{i} {name}_c{i} 0 {tau:e}"));
            self.card(format_args!("H{name}_{i} {name}_w{i} 0 Vsense_{name}_{i} 1"));
        }
        let (w1, w2) = (format!("v({name}_w1)"), format!("v({name}_w2)"));
        let (d1, d2) = (d[0] / tau, d[1] / (tau * tau));
        let (n1, n2) = (n[1] / tau, n[2] / (tau * tau));
        self.card(format_args!("B{name}_u {name}_u 0 V = v({input})-({d1:e})*{w1}-({d2:e})*{w2}"));
        self.card(format_args!(
            "B{name}_o {output} 0 V = ({:e})*v({name}_u)+({n1:e})*{w1}+({n2:e})*{w2}",
            n[0]
        ));
    }
}
