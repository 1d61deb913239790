//! Simulated seasons of features: sites that differ, classes that overlap, some sites odd and rich in bone.
//!
//! Invented numbers. What holds at new sites is what the deployed model does on many sites that nobody has seen.

use boneglow::classify::{CovarianceShape, Method, Model, Settings};
use boneglow::evaluation::{Folds, Inside, Recipe, train};
use boneglow::features::Dataset;
use boneglow::numeric::{Stream, stream};
use ndarray::Array2;
use rand::RngExt;

/// Mean u', v', log luminance of bone, calcite, lichen, matrix, opal.
const MEANS: [[f64; 3]; 5] = [
    [0.200, 0.500, -0.9],
    [0.190, 0.478, -1.2],
    [0.215, 0.520, -1.0],
    [0.185, 0.455, -1.5],
    [0.170, 0.490, -1.1],
];
const WITHIN: [f64; 3] = [0.010, 0.010, 0.22];
const SHARES_OF_THE_REST: [f64; 4] = [0.15, 0.10, 0.60, 0.15];
/// Share of bone at an ordinary site; sites scatter around it.
pub const BONE_SHARE: f64 = 0.12;
/// Share of sites that are odd: four times as much bone, which glows redder and fainter.
const ODD_SITES: f64 = 0.15;

fn normal(rng: &mut Stream) -> f64 {
    let radius = (-2.0 * rng.random::<f64>().max(1e-300).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.random::<f64>()).cos()
}

pub fn draws(job: &str, season: u64) -> Stream {
    stream(11, job, season)
}

/// Checked patches of `sites` sites, about `patches` each: every site with its own shift of all colors and of each
/// class, its own mix and its own size.
pub fn season(rng: &mut Stream, sites: usize, patches: f64) -> Dataset {
    let (mut features, mut labels, mut groups) = (Vec::new(), Vec::new(), Vec::new());
    for site in 0..sites {
        let odd = rng.random::<f64>() < ODD_SITES;
        let richness = if odd { 4.0 } else { 1.0 };
        let bone = (BONE_SHARE * richness * (0.7 * normal(rng)).exp()).min(0.8);
        let rest = SHARES_OF_THE_REST.map(|s| s * (0.6 * normal(rng)).exp());
        let sum: f64 = rest.iter().sum();
        let shift = |rng: &mut Stream, sd: [f64; 3]| sd.map(|s| s * normal(rng));
        let common = shift(rng, [0.008, 0.008, 0.25]);
        let own: Vec<[f64; 3]> = (0..5).map(|_| shift(rng, [0.006, 0.006, 0.15])).collect();
        let count = (patches * (0.4 * normal(rng)).exp()).round().max(8.0) as usize;
        for _ in 0..count {
            let mut left = rng.random::<f64>() - bone;
            let mut class = 0;
            while left > 0.0 && class < 4 {
                class += 1;
                left -= (1.0 - bone) * rest[class - 1] / sum;
            }
            let mut color: [f64; 3] = std::array::from_fn(|i| {
                MEANS[class][i] + common[i] + own[class][i] + WITHIN[i] * normal(rng)
            });
            if odd && class == 0 {
                color[1] -= 0.012;
                color[2] -= 0.3;
            }
            features.push(color);
            labels.push(class);
            groups.push(site);
        }
    }
    let n = labels.len();
    Dataset {
        ids: (0..n).map(|i| i.to_string()).collect(),
        feature_names: ["u", "v", "log_luminance"].map(String::from).to_vec(),
        features: Array2::from_shape_fn((n, 3), |(i, j)| features[i][j]),
        covariance: vec![[[0.0; 3]; 3]; n],
        labels,
        classes: ["bone", "calcite", "lichen", "matrix", "opal"]
            .map(String::from)
            .to_vec(),
        positive: vec![true, false, false, false, false],
        groups,
        group_names: (0..sites).map(|s| format!("site {s:03}")).collect(),
        weights: vec![1.0; n],
    }
}

pub const INSIDE: Inside = Inside {
    balance_classes: false,
    nested: true,
    seed: 1,
};

/// The discriminant: the cheapest classifier that is worth a recommendation.
pub fn recipe() -> Recipe {
    Recipe::tuned(Method::Discriminant)
}

/// The same with its settings given, and nothing nested: fast enough for hundreds of seasons.
pub fn settled() -> (Recipe, Inside) {
    let pooled = CovarianceShape {
        own: 0.0,
        round: 0.0,
    };
    let inside = Inside {
        nested: false,
        ..INSIDE
    };
    (Recipe::fixed(Settings::Discriminant(pooled)), inside)
}

/// The model that would be taken to the field, at the field's prevalence.
pub fn deployed(data: &Dataset, recipe: &Recipe, prevalence: f64) -> Model {
    let folds = Folds::by_group(&data.groups).unwrap();
    let mut model = train(data, recipe, &folds, INSIDE, 0.01).unwrap();
    model.adjust_prior(prevalence).unwrap();
    model
}

/// Patches of a new season with the deployed model's probability of bone.
pub struct NewSites {
    p: Vec<f64>,
    positive: Vec<bool>,
}

impl NewSites {
    pub fn scored(model: &Model, new: &Dataset) -> Self {
        let p = model.positive_share(&model.probabilities(new.features.view()));
        NewSites {
            p: p.to_vec(),
            positive: (0..new.len()).map(|i| new.is_positive(i)).collect(),
        }
    }

    fn count(&self, positive: bool, cut: f64) -> f64 {
        let of_side = self.p.iter().zip(&self.positive);
        of_side
            .filter(|(p, truth)| **truth == positive && **p >= cut)
            .count() as f64
    }

    pub fn recall(&self, cut: f64) -> f64 {
        self.count(true, cut) / self.count(true, 0.0)
    }

    pub fn false_alarm_rate(&self, cut: f64) -> f64 {
        self.count(false, cut) / self.count(false, 0.0)
    }

    pub fn precision(&self, cut: f64) -> f64 {
        let found = self.count(true, cut);
        found / (found + self.count(false, cut))
    }

    /// Share of pairs of a bone and another glow in which the bone has the higher probability.
    pub fn auc(&self) -> f64 {
        let mut order: Vec<usize> = (0..self.p.len()).collect();
        order.sort_by(|&a, &b| self.p[a].total_cmp(&self.p[b]));
        let (mut others, mut pairs) = (0.0, 0.0);
        for i in order {
            match self.positive[i] {
                true => pairs += others,
                false => others += 1.0,
            }
        }
        pairs / (others * (self.p.len() as f64 - others))
    }

    /// Cost per glowing patch at a cut; bone is `prevalence` of them.
    pub fn cost(&self, cut: f64, prevalence: f64, missed: f64, wasted: f64) -> f64 {
        missed * prevalence * (1.0 - self.recall(cut))
            + wasted * (1.0 - prevalence) * self.false_alarm_rate(cut)
    }
}
