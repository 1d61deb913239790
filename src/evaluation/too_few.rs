//! What to mind where groups or positives are few.

/// Fewer groups than this, and their spread is hardly known.
const FEW_GROUPS: usize = 8;
/// Fewer positives than this, and recall is hardly known.
const FEW_POSITIVES: usize = 20;

/// A warning for each of the two that is too few.
pub(super) fn too_few(groups: usize, positives: usize) -> Vec<String> {
    let of_groups = (groups < FEW_GROUPS).then(|| {
        let are = match groups {
            1 => "is only 1 group".to_string(),
            n => format!("are only {n} groups"),
        };
        format!(
            "There {are}: how much they differ is hardly known, and the intervals, wide as they are, may still be too narrow."
        )
    });
    let of_positives = (positives < FEW_POSITIVES).then(|| {
        let are = match positives {
            1 => "is only 1 checked positive".to_string(),
            n => format!("are only {n} checked positives"),
        };
        format!(
            "There {are}: recall cannot be known to better than about {:.0} percentage points.",
            100.0 / (positives as f64).max(1.0).sqrt()
        )
    });
    of_groups.into_iter().chain(of_positives).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_groups_and_few_positives_are_each_told() {
        assert!(too_few(8, 20).is_empty());
        assert!(too_few(3, 20)[0].contains("only 3 groups"));
        let both = too_few(1, 1);
        assert!(both[0].contains("is only 1 group:"), "{}", both[0]);
        assert!(both[1].contains("is only 1 checked positive: recall"));
    }
}
