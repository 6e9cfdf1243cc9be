//! The answer in plain words.

use super::question::{AsBuilt, Question};
use crate::analysis::dials::{Likeness, PartChanges, Row, Scale};
use crate::commands::ask::{hertz, value};

/// The answer in plain words.
pub(super) fn words(
    question: &Question,
    scale: &Scale,
    as_built: Option<&AsBuilt>,
    parts: Option<&PartChanges>,
) -> Vec<String> {
    let rules = &question.rules;
    let mut words = Vec::new();
    let count = |l: Likeness| scale.rows.iter().filter(|r| r.likeness == l).count();
    let (same, shape, all) = (count(Likeness::Same), count(Likeness::ShapeOnly), scale.rows.len());
    let best = scale.rows.iter().min_by(|a, b| {
        let goal = |r: &Row| r.distance.goal_db(rules.offset_allowed);
        goal(a).total_cmp(&goal(b))
    });
    let Some(best) = best else { return words };
    let level =
        |db: f64| format!("{:.1} dB {}", db.abs(), if db < 0.0 { "lower" } else { "higher" });
    if same == all {
        words.push("Every position has its equal there.".to_owned());
    } else if same > 0 {
        words.push(format!("{same} of {all} positions have their equal there."));
    } else if shape > 0 {
        words.push(format!(
            "No match. The shape alone comes within {:.2} dB (at {}), but the level there is {}: these \
             do not sound the same until that gain is made up elsewhere.",
            best.distance.shape_db,
            best.clock,
            level(best.distance.level_db)
        ));
    } else {
        words.push(format!(
            "Nothing there equals this: at best (at {}) the shape is {:.2} dB off and the level {}.",
            best.clock,
            best.distance.shape_db,
            level(best.distance.level_db)
        ));
    }
    for end in &scale.ends {
        let beyond = if end.above { "Beyond" } else { "Below" };
        // Where nothing is the same anyway, an end says only how far the other knob goes.
        words.push(match same + shape {
            0 => format!("{beyond} {} the knobs there go no further along.", end.clock),
            _ => format!("{beyond} {} nothing there equals this.", end.clock),
        });
    }
    if let Some(AsBuilt { version, mark }) = as_built {
        let far = match mark.likeness {
            Likeness::Same => String::new(),
            _ => format!(
                ", which is the closest and not the same ({:.2} dB in shape, {})",
                mark.distance.shape_db,
                level(mark.distance.level_db)
            ),
        };
        words.push(format!("As built (\"{version}\"): {}{far}.", mark.clock));
    }
    for effect in &scale.effects {
        if effect.is_none() {
            words.push(format!(
                "The control {} has no effect between {} and {}.",
                effect.control,
                hertz(rules.band.low_hz()),
                hertz(rules.band.high_hz())
            ));
            continue;
        }
        for [low, high] in &effect.dead {
            words.push(format!(
                "The control {} does nothing from {} to {}.",
                effect.control,
                low.clock(),
                high.clock()
            ));
        }
    }
    if let Some(found) = parts
        && let Some(change) = found.changes.first()
    {
        words.push(format!(
            "The single part there that helps most is {}: {} to {} brings the whole difference from \
             {:.1} dB to {:.1} dB, with the free controls set anew and no level made up.",
            change.part,
            value(&question.there, &change.part, change.from),
            value(&question.there, &change.part, change.to),
            found.now.whole_db,
            change.distance.whole_db
        ));
    }
    words
}
