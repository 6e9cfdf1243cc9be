//! Standard values of named parts that do what is wanted.

mod goal;
mod search;

pub use goal::{Against, Edge, Goal, Goals, Outcome};
pub use search::{Answer, Answers, Choice, Method, Search, SearchError};
