//! Random networks of every kind of part, each with a path for direct current from every node.

use presolder::circuit::{Circuit, GROUND, Kind, Node, Winding};
use presolder::valves::{PentodeCapacitances, TriodeCapacitances};

use super::cards::{PentodeCard, TriodeCard, ValveCards};
use super::deck::{pentode_type, triode_type};
use super::rng::Rng;

/// A network with the source `Vin` and some nodes to look at.
#[derive(Clone, Debug)]
pub struct Network {
    pub circuit: Circuit,
    pub valves: ValveCards,
    pub outputs: Vec<Node>,
}

/// Constants of Koren's table (errata of "Improved vacuum-tube models for SPICE simulations",
/// Glass Audio 8(5), 1996): mu, ex, kg1, kp, kvb.
pub const TRIODES: [[f64; 5]; 4] = [
    [100.0, 1.4, 1060.0, 600.0, 300.0],
    [60.0, 1.35, 460.0, 300.0, 300.0],
    [21.5, 1.3, 1180.0, 84.0, 300.0],
    [28.0, 1.3, 330.0, 320.0, 300.0],
];
/// The same: mu, ex, kg1, kg2, kp, kvb.
const PENTODES: [[f64; 6]; 3] = [
    [8.7, 1.35, 1460.0, 4500.0, 48.0, 12.0],
    [11.0, 1.35, 650.0, 4200.0, 60.0, 24.0],
    [7.9, 1.35, 890.0, 4200.0, 60.0, 24.0],
];
/// Grid conduction gg, cg, xi (Dempwolf and Zoelzer, DAFx-11, 2011, table 1).
pub const GRIDS: [[f64; 3]; 3] =
    [[6.177e-4, 9.901, 1.314], [5.911e-4, 11.76, 1.358], [3.263e-4, 11.99, 1.156]];

/// Makes a network of 3 to 14 pieces.
pub fn random_network(rng: &mut Rng) -> Network {
    let mut builder = Builder::new(rng.clone());
    let pieces = 3 + builder.rng.below(12);
    for _ in 0..pieces {
        builder.piece();
    }
    for _ in 0..builder.rng.below(5) {
        builder.bridge();
    }
    let outputs = builder.outputs();
    *rng = builder.rng;
    Network { circuit: builder.circuit, valves: builder.valves, outputs }
}

struct Builder {
    rng: Rng,
    circuit: Circuit,
    valves: ValveCards,
    /// Nodes at about 0 V, which may be joined by parts that carry direct current.
    quiet: Vec<Node>,
    /// Nodes at a supply's or a valve's voltage, joined to the others by capacitors only.
    hot: Vec<Node>,
    supply: Option<Node>,
    /// Capacitors whose current a source may follow.
    capacitors: Vec<String>,
    /// For each node, the representative of those tied to it by parts without resistance.
    tied: Vec<usize>,
    count: usize,
}

impl Builder {
    fn new(rng: Rng) -> Self {
        let mut circuit = Circuit::new();
        let plus = circuit.node("in");
        circuit.add("Vin", Kind::Source { plus, minus: GROUND, volts: 0.0 }).expect("the input");
        let mut builder = Self {
            rng,
            circuit,
            valves: ValveCards::default(),
            quiet: vec![GROUND, plus],
            hot: Vec::new(),
            supply: None,
            capacitors: Vec::new(),
            tied: Vec::new(),
            count: 0,
        };
        builder.tie(GROUND, plus);
        builder
    }

    fn add(&mut self, letter: &str, kind: Kind) -> String {
        self.count += 1;
        let name = format!("{letter}{}", self.count);
        self.circuit.add(&name, kind).expect("a part with good values");
        name
    }

    fn new_node(&mut self) -> Node {
        self.count += 1;
        self.circuit.node(&format!("node{}", self.count))
    }

    fn representative(&mut self, node: Node) -> usize {
        while self.tied.len() <= node.0 {
            self.tied.push(self.tied.len());
        }
        self.tied[node.0]
    }

    /// Whether two nodes are joined by parts without resistance already; now they are.
    fn tie(&mut self, a: Node, b: Node) -> bool {
        let (a, b) = (self.representative(a), self.representative(b));
        for t in &mut self.tied {
            if *t == b {
                *t = a;
            }
        }
        a == b
    }

    fn ohms(&mut self) -> f64 {
        self.rng.log_between(10.0, 1e6)
    }

    fn farads(&mut self) -> f64 {
        self.rng.log_between(10e-12, 1e-6)
    }

    fn henries(&mut self) -> f64 {
        self.rng.log_between(1e-4, 10.0)
    }

    fn quiet_node(&mut self) -> Node {
        let quiet = self.quiet.clone();
        self.rng.pick(&quiet)
    }

    /// Two different quiet nodes.
    fn quiet_pair(&mut self) -> [Node; 2] {
        let a = self.quiet_node();
        loop {
            let b = self.quiet_node();
            if b != a {
                return [a, b];
            }
        }
    }

    fn resistor(&mut self, between: [Node; 2], ohms: f64) {
        self.add("R", Kind::Resistor { between, ohms });
    }

    fn capacitor(&mut self, between: [Node; 2]) {
        let farads = self.farads();
        let name = self.add("C", Kind::Capacitor { between, farads });
        self.capacitors.push(name);
    }

    /// A part that carries direct current between two nodes.
    fn conductor(&mut self, between: [Node; 2]) {
        let ohms = self.ohms();
        match self.rng.below(5) {
            0 => {
                let fraction = self.rng.unit();
                self.add("P", Kind::Rheostat { between, ohms, fraction, end_ohms: 1.0 });
            }
            1 => {
                let henries = self.henries();
                // Inductors in a loop without resistance share no current that can be known.
                if self.tie(between[0], between[1]) {
                    let middle = self.new_node();
                    self.add("L", Kind::Inductor { between: [between[0], middle], henries });
                    let series_ohms = self.rng.log_between(0.1, 1e4);
                    self.resistor([middle, between[1]], series_ohms);
                } else {
                    self.add("L", Kind::Inductor { between, henries });
                }
            }
            _ => self.resistor(between, ohms),
        }
    }

    /// One more piece of the network, with at least one new node.
    fn piece(&mut self) {
        match self.rng.below(13) {
            0 | 1 => {
                let (from, node) = (self.quiet_node(), self.new_node());
                self.conductor([from, node]);
                self.quiet.push(node);
            }
            2..=4 => {
                let [from, to] = self.quiet_pair();
                let node = self.new_node();
                self.capacitor([from, node]);
                self.conductor([node, to]);
                self.quiet.push(node);
            }
            5 => self.potentiometer(),
            6 => self.transformer(),
            7 | 8 => self.triode(),
            9 => self.pentode(),
            10 => self.controlled_source(),
            11 => self.section(),
            _ => self.diode(),
        }
    }

    /// One more part between nodes that are there.
    fn bridge(&mut self) {
        if self.rng.chance(0.5) {
            let pair = self.quiet_pair();
            self.conductor(pair);
        } else {
            let from = self.quiet_node();
            let to = if self.hot.is_empty() { self.quiet_node() } else { self.hot_node() };
            if from != to {
                self.capacitor([from, to]);
            }
        }
    }

    fn hot_node(&mut self) -> Node {
        let hot = self.hot.clone();
        self.rng.pick(&hot)
    }

    fn potentiometer(&mut self) {
        let [hot, cold] = self.quiet_pair();
        let wiper = self.new_node();
        let ohms = self.rng.log_between(1e3, 1e6);
        let fraction = self.rng.pick(&[0.0, 0.1, 0.3, 0.5, 0.8, 1.0]);
        self.add("P", Kind::Potentiometer { hot, wiper, cold, ohms, fraction, end_ohms: 1.0 });
        self.quiet.push(wiper);
    }

    fn coupling(&mut self) -> f64 {
        let coupling = self.rng.between(0.1, 0.999);
        self.rng.pick(&[coupling, 0.99, 0.9995])
    }

    fn transformer(&mut self) {
        let primary = self.quiet_pair();
        let mut windings = vec![self.winding(primary)];
        for _ in 0..1 + self.rng.below(2) {
            let (start, finish) = (self.new_node(), self.quiet_node());
            windings.push(self.winding([start, finish]));
            self.quiet.push(start);
        }
        let coupling = self.coupling();
        self.add("T", Kind::Windings { windings, coupling });
    }

    fn winding(&mut self, between: [Node; 2]) -> Winding {
        let henries = self.henries();
        let ohms = self.rng.log_between(0.1, 1e3);
        let free = self.rng.chance(0.3) && {
            let (a, b) = (self.representative(between[0]), self.representative(between[1]));
            a != b
        };
        if free {
            self.tie(between[0], between[1]);
        }
        Winding { between, henries, ohms: if free { 0.0 } else { ohms } }
    }

    fn supply(&mut self) -> Node {
        if let Some(node) = self.supply {
            return node;
        }
        let node = self.circuit.node("supply");
        let volts = self.rng.between(180.0, 420.0);
        self.add("V", Kind::Source { plus: node, minus: GROUND, volts });
        self.supply = Some(node);
        node
    }

    /// The grid of a stage, fed from a quiet node.
    fn grid(&mut self) -> Node {
        let (from, grid) = (self.quiet_node(), self.new_node());
        let leak = self.rng.log_between(2e4, 1e6);
        if self.rng.chance(0.5) {
            self.capacitor([from, grid]);
        } else {
            let stopper = self.rng.log_between(1e3, 1e5);
            self.resistor([from, grid], stopper);
        }
        self.resistor([grid, GROUND], leak);
        grid
    }

    /// A quiet node behind a capacitor at a hot one.
    fn couple_out(&mut self, hot: Node) {
        self.hot.push(hot);
        let node = self.new_node();
        self.capacitor([hot, node]);
        let load = self.rng.log_between(1e4, 1e6);
        self.resistor([node, GROUND], load);
        self.quiet.push(node);
    }

    fn triode(&mut self) {
        let [mu, ex, kg1, kp, kvb] = self.rng.pick(&TRIODES);
        let [gg, cg, xi] = self.rng.pick(&GRIDS);
        let card = TriodeCard { mu, ex, kg1, kp, kvb, gg, cg, xi };
        let (supply, grid) = (self.supply(), self.grid());
        let (plate, cathode) = self.stage(supply, grid, 1e4, 3e5);
        let capacitances = TriodeCapacitances {
            grid_cathode_f: self.rng.log_between(0.3e-12, 10e-12),
            grid_plate_f: self.rng.log_between(0.3e-12, 10e-12),
            plate_cathode_f: if self.rng.chance(0.2) { 0.0 } else { 0.5e-12 },
        };
        let type_name = format!("type{}", self.count);
        let valve = triode_type(&type_name, card, capacitances);
        self.valves.triodes.insert(type_name, card);
        self.add("U", Kind::Triode { plate, grid, cathode, valve });
        if plate != supply && self.rng.chance(0.3) {
            // A follower whose grid hangs at the plate.
            let cathode = self.new_node();
            let type_name = format!("type{}", self.count);
            let valve = triode_type(&type_name, card, capacitances);
            self.valves.triodes.insert(type_name, card);
            self.add("U", Kind::Triode { plate: supply, grid: plate, cathode, valve });
            let load = self.rng.log_between(2e4, 2e5);
            self.resistor([cathode, GROUND], load);
            self.couple_out(cathode);
        }
    }

    /// Plate load and cathode resistor; gives plate and cathode. A follower has no plate load.
    fn stage(&mut self, supply: Node, grid: Node, low: f64, high: f64) -> (Node, Node) {
        let cathode = self.new_node();
        let follower = self.rng.chance(0.25);
        let cathode_ohms = if follower {
            self.rng.log_between(1e3, 1e5)
        } else {
            self.rng.log_between(100.0, 5e3)
        };
        self.resistor([cathode, GROUND], cathode_ohms);
        if follower {
            self.couple_out(cathode);
            return (supply, cathode);
        }
        if self.rng.chance(0.6) {
            let farads = self.rng.log_between(1e-8, 1e-4);
            self.add("C", Kind::Capacitor { between: [cathode, GROUND], farads });
        }
        let plate = self.new_node();
        let load = self.rng.log_between(low, high);
        self.resistor([supply, plate], load);
        if self.rng.chance(0.3) {
            let farads = self.rng.log_between(1e-12, 1e-10);
            self.add("C", Kind::Capacitor { between: [plate, grid], farads });
        }
        self.couple_out(plate);
        (plate, cathode)
    }

    fn pentode(&mut self) {
        let [mu, ex, kg1, kg2, kp, kvb] = self.rng.pick(&PENTODES);
        let [gg, cg, xi] = self.rng.pick(&GRIDS);
        let card = PentodeCard { mu, ex, kg1, kg2, kp, kvb, gg, cg, xi };
        let (supply, grid) = (self.supply(), self.grid());
        let (plate, cathode) = if self.rng.chance(0.5) {
            self.stage(supply, grid, 500.0, 5e3)
        } else {
            let (cathode, plate) = (self.new_node(), self.new_node());
            let (start, finish) = (self.new_node(), self.quiet_node());
            let cathode_ohms = self.rng.log_between(100.0, 2e3);
            self.resistor([cathode, GROUND], cathode_ohms);
            let primary = Winding {
                between: [plate, supply],
                henries: self.rng.log_between(1.0, 50.0),
                ohms: self.rng.log_between(10.0, 300.0),
            };
            let windings = vec![primary, self.winding([start, finish])];
            let coupling = self.coupling();
            self.add("T", Kind::Windings { windings, coupling });
            self.hot.push(plate);
            self.quiet.push(start);
            (plate, cathode)
        };
        let screen = self.new_node();
        let screen_ohms = self.rng.log_between(100.0, 2e4);
        self.resistor([supply, screen], screen_ohms);
        let capacitances = PentodeCapacitances {
            grid_plate_f: self.rng.log_between(0.1e-12, 2e-12),
            grid_cathode_f: self.rng.log_between(5e-12, 20e-12),
        };
        let type_name = format!("type{}", self.count);
        let valve = pentode_type(&type_name, card, capacitances);
        self.valves.pentodes.insert(type_name, card);
        self.add("U", Kind::Pentode { plate, screen, grid, cathode, valve });
    }

    fn controlled_source(&mut self) {
        let control = self.quiet_pair();
        let (plus, minus) = (self.new_node(), self.quiet_node());
        let gain = self.rng.log_between(0.01, 30.0) * self.rng.pick(&[1.0, -1.0]);
        let capacitors = self.capacitors.clone();
        if capacitors.is_empty() || self.rng.chance(0.5) {
            self.add("E", Kind::VoltageControlledSource { plus, minus, control, gain });
        } else {
            let sensed = capacitors[self.rng.below(capacitors.len())].clone();
            let ohms = self.ohms();
            self.add("H", Kind::CurrentControlledSource { plus, minus, sensed, ohms });
        }
        self.tie(plus, minus);
        self.quiet.push(plus);
    }

    fn section(&mut self) {
        let (input, output) = (self.quiet_node(), self.new_node());
        let (corner, other) = (self.rng.log_between(60.0, 6e5), self.rng.log_between(60.0, 6e5));
        let (q, other_q) = (self.rng.between(0.3, 5.0), self.rng.between(0.3, 5.0));
        let gain = self.rng.log_between(0.1, 10.0);
        let second = [1.0 / (q * corner), 1.0 / (corner * corner)];
        let (numerator, denominator) = match self.rng.below(5) {
            0 => ([gain, 0.0, 0.0], [1.0 / corner, 0.0]),
            1 => ([0.0, gain / corner, 0.0], [1.0 / corner, 0.0]),
            2 => ([gain, 0.0, 0.0], second),
            3 => ([0.0, 0.0, gain * second[1]], second),
            _ => ([gain, gain / (other_q * other), gain / (other * other)], second),
        };
        self.add("S", Kind::Section { input, output, numerator, denominator });
        self.tie(output, GROUND);
        self.quiet.push(output);
    }

    fn diode(&mut self) {
        let (saturation_a, emission) =
            (self.rng.log_between(1e-14, 1e-8), self.rng.between(1.0, 2.0));
        let supply = self.supply();
        let node = self.new_node();
        let feed = self.rng.log_between(1e5, 1e7);
        self.resistor([supply, node], feed);
        let kind = Kind::Diode { anode: node, cathode: GROUND, saturation_a, emission };
        self.add("D", kind);
        self.couple_out(node);
    }

    /// Up to four nodes, the newest among them.
    fn outputs(&mut self) -> Vec<Node> {
        let all: Vec<Node> = self.quiet[2..].iter().chain(&self.hot).copied().collect();
        let mut outputs = vec![self.quiet[self.quiet.len() - 1]];
        for _ in 0..3 {
            let node = self.rng.pick(&all);
            if !outputs.contains(&node) {
                outputs.push(node);
            }
        }
        outputs
    }
}
