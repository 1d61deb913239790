//! The declared rule of choice: the simplest within one standard error of the best.

/// Summed loss and summed weight of one block of patches (a fold or a group).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BlockLoss {
    /// Weighted sum of the loss.
    pub loss: f64,
    /// Sum of the weights.
    pub weight: f64,
}

/// Picks one of several rivals, given in order from simple to complex, by their losses on the same blocks.
///
/// Returns the first whose mean loss exceeds the least by at most one standard error of that
/// difference. The standard error is that of a ratio estimated from blocks, paired, with
/// blocks / (blocks - 1) (Breiman et al. 1984, section 3.4.3, use the standard error of the best by itself; paired
/// on the same blocks the difference is known much better than either loss). With one block the best wins.
/// `None` without rivals or without weight.
///
/// ```
/// use boneglow::evaluation::{BlockLoss, simplest_within_one_standard_error};
/// let losses = |of: [f64; 3]| of.map(|loss| BlockLoss { loss, weight: 1.0 }).to_vec();
/// // The second is better by 0.1 on average, but its gain scatters: 0.4, -0.2, 0.1.
/// let rivals = [losses([0.5, 0.5, 0.5]), losses([0.1, 0.7, 0.4])];
/// assert_eq!(simplest_within_one_standard_error(&rivals), Some(0));
/// // A steady gain of 0.1 is taken.
/// let rivals = [losses([0.5, 0.5, 0.5]), losses([0.4, 0.4, 0.4])];
/// assert_eq!(simplest_within_one_standard_error(&rivals), Some(1));
/// ```
pub fn simplest_within_one_standard_error(rivals: &[Vec<BlockLoss>]) -> Option<usize> {
    let means: Vec<f64> = rivals.iter().map(|r| mean(r)).collect::<Option<_>>()?;
    let best = (0..rivals.len()).min_by(|&a, &b| means[a].total_cmp(&means[b]))?;
    (0..rivals.len()).find(|&rival| {
        let difference = means[rival] - means[best];
        difference <= paired_standard_error(&rivals[rival], &rivals[best])
    })
}

fn mean(blocks: &[BlockLoss]) -> Option<f64> {
    let loss: f64 = blocks.iter().map(|b| b.loss).sum();
    let weight: f64 = blocks.iter().map(|b| b.weight).sum();
    (weight > 0.0).then(|| loss / weight)
}

/// Standard error of the difference of two mean losses on the same blocks; 0 with one block.
pub(super) fn paired_standard_error(one: &[BlockLoss], other: &[BlockLoss]) -> f64 {
    let blocks = one.iter().filter(|b| b.weight > 0.0).count() as f64;
    let weight: f64 = one.iter().map(|b| b.weight).sum();
    if blocks < 2.0 || weight <= 0.0 {
        return 0.0;
    }
    let gain = |(a, b): (&BlockLoss, &BlockLoss)| a.loss - b.loss;
    let mean: f64 = one.iter().zip(other).map(gain).sum::<f64>() / weight;
    let squares: f64 = one
        .iter()
        .zip(other)
        .map(|(a, b)| (gain((a, b)) - mean * a.weight).powi(2))
        .sum();
    (squares * blocks / (blocks - 1.0)).sqrt() / weight
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_standard_error_of_equal_blocks_is_that_of_a_mean() {
        let one: Vec<BlockLoss> = [1.0, 2.0, 6.0]
            .map(|loss| BlockLoss { loss, weight: 1.0 })
            .to_vec();
        let zero = vec![
            BlockLoss {
                loss: 0.0,
                weight: 1.0
            };
            3
        ];
        // Mean 3, deviations -2, -1, 3: variance 7, standard error sqrt(7 / 3).
        assert!((paired_standard_error(&one, &zero) - (7.0_f64 / 3.0).sqrt()).abs() < 1e-12);
    }

    #[test]
    fn one_block_cannot_tell_an_error_so_the_best_wins() {
        let block = |loss| vec![BlockLoss { loss, weight: 2.0 }];
        assert_eq!(
            simplest_within_one_standard_error(&[block(1.0), block(0.9)]),
            Some(1)
        );
        assert_eq!(simplest_within_one_standard_error(&[]), None);
    }
}
