//! The list itself: named nodes, named parts.

use indexmap::{IndexMap, IndexSet};

use super::error::CircuitError;
use super::part::{GROUND, Kind, Node, Part};

/// A circuit: parts between named nodes. The one description from which every answer follows.
#[derive(Clone, Debug)]
pub struct Circuit {
    nodes: IndexSet<String>,
    parts: IndexMap<String, Part>,
}

impl Default for Circuit {
    fn default() -> Self {
        Self::new()
    }
}

impl Circuit {
    /// An empty circuit that knows only ground.
    pub fn new() -> Self {
        let mut nodes = IndexSet::new();
        nodes.insert("0".to_owned());
        Self { nodes, parts: IndexMap::new() }
    }

    /// The node of that name, made if it is new. `0` and `ground` are the reference node.
    pub fn node(&mut self, name: &str) -> Node {
        if name == "0" || name.eq_ignore_ascii_case("ground") {
            return GROUND;
        }
        Node(self.nodes.insert_full(name.to_owned()).0)
    }

    /// The node of that name, if there is one.
    pub fn find_node(&self, name: &str) -> Option<Node> {
        if name.eq_ignore_ascii_case("ground") {
            return Some(GROUND);
        }
        self.nodes.get_index_of(name).map(Node)
    }

    /// The name of a node.
    pub fn node_name(&self, node: Node) -> &str {
        self.nodes.get_index(node.0).map_or("?", String::as_str)
    }

    /// Number of nodes, ground included.
    pub fn node_count(&self) -> usize {
        self.nodes.len()
    }

    /// Names of all nodes, ground first.
    pub fn node_names(&self) -> impl Iterator<Item = &str> {
        self.nodes.iter().map(String::as_str)
    }

    /// Adds a part.
    ///
    /// # Errors
    /// [`CircuitError::DuplicatePart`] if the name is taken, [`CircuitError::BadValue`]
    /// if a value is not finite or has a sign that the part cannot have.
    pub fn add(&mut self, name: &str, kind: Kind) -> Result<(), CircuitError> {
        super::error::check_values(name, &kind)?;
        if self.parts.contains_key(name) {
            return Err(CircuitError::DuplicatePart { part: name.to_owned() });
        }
        self.parts.insert(name.to_owned(), Part { name: name.to_owned(), kind });
        Ok(())
    }

    /// Turns a potentiometer or rheostat to another share of its track (0 to 1); every
    /// other part stays as it is.
    ///
    /// # Errors
    /// [`CircuitError::UnknownPart`] if there is no such part,
    /// [`CircuitError::BadValue`] if it does not turn or the share is outside of 0 to 1.
    pub fn set_fraction(&mut self, name: &str, share: f64) -> Result<(), CircuitError> {
        let unknown = || CircuitError::UnknownPart { part: name.to_owned() };
        let mut kind = self.part(name).ok_or_else(unknown)?.kind.clone();
        match &mut kind {
            Kind::Potentiometer { fraction, .. } | Kind::Rheostat { fraction, .. } => {
                *fraction = share;
            }
            _ => {
                return Err(CircuitError::BadValue {
                    part: name.to_owned(),
                    what: "the position",
                    value: share,
                    must: "that of a potentiometer",
                });
            }
        }
        self.replace(name, kind)
    }

    /// Puts another part, or the same with other values, in the place of a part.
    ///
    /// # Errors
    /// [`CircuitError::UnknownPart`] if there is no such part,
    /// [`CircuitError::BadValue`] as for [`Circuit::add`].
    pub fn replace(&mut self, name: &str, kind: Kind) -> Result<(), CircuitError> {
        super::error::check_values(name, &kind)?;
        match self.parts.get_mut(name) {
            Some(part) => {
                part.kind = kind;
                Ok(())
            }
            None => Err(CircuitError::UnknownPart { part: name.to_owned() }),
        }
    }

    /// The parts, in the order in which they were added.
    pub fn parts(&self) -> impl ExactSizeIterator<Item = &Part> {
        self.parts.values()
    }

    /// A part by its designator.
    pub fn part(&self, name: &str) -> Option<&Part> {
        self.parts.get(name)
    }
}
