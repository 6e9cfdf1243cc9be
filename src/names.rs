//! The nearest right name, for messages.

/// Names shown when none is near.
const LISTED: usize = 12;

/// How like a name must be to be offered: a designator has so few letters that its first one
/// must be right, and a name that was cut short is always near.
fn enough(wanted: &str, known: &str) -> f64 {
    let known = known.to_lowercase();
    let short = wanted.chars().count() <= 3 && wanted.chars().next() == known.chars().next();
    let cut = wanted.len() >= 4 && (known.starts_with(wanted) || wanted.starts_with(&known));
    if cut {
        0.3
    } else if short {
        0.5
    } else {
        0.6
    }
}

/// What to say about a name that is not known: the nearest of those that are, or all of them.
pub fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    nearest_of(name, &known.into_iter().collect::<Vec<_>>())
}

fn nearest_of(name: &str, known: &[&str]) -> String {
    let wanted = name.to_lowercase();
    let best = known
        .iter()
        .map(|k| (strsim::normalized_damerau_levenshtein(&wanted, &k.to_lowercase()), k))
        // The first of equally near ones.
        .fold(None, |best: Option<(f64, &&str)>, next| match best {
            Some(b) if b.0 >= next.0 => Some(b),
            _ => Some(next),
        });
    match best {
        None => "there are none".to_owned(),
        Some((likeness, best)) if likeness >= enough(&wanted, best) => {
            format!("did you mean {best}?")
        }
        Some(_) if known.len() > LISTED => {
            format!("there are {}, ...", known[..LISTED].join(", "))
        }
        Some(_) if known.len() == 1 => format!("there is {}", known.join(", ")),
        Some(_) => format!("there are {}", known.join(", ")),
    }
}
