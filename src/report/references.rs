//! The works that the methods text cites.

use serde::Serialize;

/// A work as it is cited in the text and as it stands in the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub(super) struct Reference {
    /// As the text cites it.
    pub cited: &'static str,
    /// Authors, year, title, place.
    pub full: &'static str,
}

const fn work(cited: &'static str, full: &'static str) -> Reference {
    Reference { cited, full }
}

/// In the order of the list.
const WORKS: &[Reference] = &[
    work(
        "Agresti and Coull 1998",
        "Agresti, A. and Coull, B. A. 1998. Approximate is better than \"exact\" for interval estimation of binomial proportions. The American Statistician 52: 119–126.",
    ),
    work(
        "Begg and Greenes 1983",
        "Begg, C. B. and Greenes, R. A. 1983. Assessment of diagnostic tests when disease verification is subject to selection bias. Biometrics 39: 207–215.",
    ),
    work(
        "Breiman 2001",
        "Breiman, L. 2001. Random forests. Machine Learning 45: 5–32.",
    ),
    work(
        "CIE 015:2018",
        "CIE 015:2018. Colorimetry, 4th edition. International Commission on Illumination, Vienna.",
    ),
    work(
        "Clopper and Pearson 1934",
        "Clopper, C. J. and Pearson, E. S. 1934. The use of confidence or fiducial limits illustrated in the case of the binomial. Biometrika 26: 404–413.",
    ),
    work(
        "Cover and Hart 1967",
        "Cover, T. M. and Hart, P. E. 1967. Nearest neighbor pattern classification. IEEE Transactions on Information Theory 13: 21–27.",
    ),
    work(
        "Cox 1958",
        "Cox, D. R. 1958. Two further applications of a model for binary regression. Biometrika 45: 562–565.",
    ),
    work(
        "Currie 1968",
        "Currie, L. A. 1968. Limits for qualitative detection and quantitative determination. Analytical Chemistry 40: 586–593.",
    ),
    work(
        "Davies and Gather 1993",
        "Davies, L. and Gather, U. 1993. The identification of multiple outliers. Journal of the American Statistical Association 88: 782–792.",
    ),
    work(
        "DeLong et al. 1988",
        "DeLong, E. R., DeLong, D. M. and Clarke-Pearson, D. L. 1988. Comparing the areas under two or more correlated receiver operating characteristic curves: a nonparametric approach. Biometrics 44: 837–845.",
    ),
    work(
        "EMVA 1288",
        "EMVA Standard 1288. Standard for characterization of image sensors and cameras, release 4.0, 2021. European Machine Vision Association.",
    ),
    work(
        "Field and Welsh 2007",
        "Field, C. A. and Welsh, A. H. 2007. Bootstrapping clustered data. Journal of the Royal Statistical Society B 69: 369–390.",
    ),
    work(
        "Finlayson et al. 2015",
        "Finlayson, G. D., Mackiewicz, M. and Hurlbert, A. 2015. Color correction using root-polynomial regression. IEEE Transactions on Image Processing 24: 1460–1470.",
    ),
    work(
        "Fisher 1936",
        "Fisher, R. A. 1936. The use of multiple measurements in taxonomic problems. Annals of Eugenics 7: 179–188.",
    ),
    work(
        "Friedman 1989",
        "Friedman, J. H. 1989. Regularized discriminant analysis. Journal of the American Statistical Association 84: 165–175.",
    ),
    work(
        "Horvitz and Thompson 1952",
        "Horvitz, D. G. and Thompson, D. J. 1952. A generalization of sampling without replacement from a finite universe. Journal of the American Statistical Association 47: 663–685.",
    ),
    work(
        "IEC 61966-2-1",
        "IEC 61966-2-1:1999. Multimedia systems and equipment: colour measurement and management, part 2-1: default RGB colour space sRGB.",
    ),
    work(
        "ISO 14524",
        "ISO 14524:2009. Photography: electronic still-picture cameras: methods for measuring opto-electronic conversion functions (OECFs).",
    ),
    work(
        "ITU-R BT.709",
        "ITU-R BT.709-6, 2015. Recommendation: parameter values for the HDTV standards for production and international programme exchange.",
    ),
    work(
        "JCGM 100:2008",
        "JCGM 100:2008. Evaluation of measurement data: guide to the expression of uncertainty in measurement.",
    ),
    work(
        "Kish 1965",
        "Kish, L. 1965. Survey Sampling. Wiley, New York.",
    ),
    work(
        "Mahalanobis 1936",
        "Mahalanobis, P. C. 1936. On the generalised distance in statistics. Proceedings of the National Institute of Sciences of India 2: 49–55.",
    ),
    work(
        "McNemar 1947",
        "McNemar, Q. 1947. Note on the sampling error of the difference between correlated proportions or percentages. Psychometrika 12: 153–157.",
    ),
    work(
        "Murphy 1973",
        "Murphy, A. H. 1973. A new vector partition of the probability score. Journal of Applied Meteorology 12: 595–600.",
    ),
    work(
        "Newcombe 1998",
        "Newcombe, R. G. 1998. Interval estimation for the difference between independent proportions: comparison of eleven methods. Statistics in Medicine 17: 873–890.",
    ),
    work(
        "Platt 1999",
        "Platt, J. C. 1999. Probabilistic outputs for support vector machines and comparisons to regularized likelihood methods. In Advances in Large Margin Classifiers, MIT Press: 61–74.",
    ),
    work(
        "Rubin 1981",
        "Rubin, D. B. 1981. The Bayesian bootstrap. Annals of Statistics 9: 130–134.",
    ),
    work(
        "Saerens et al. 2002",
        "Saerens, M., Latinne, P. and Decaestecker, C. 2002. Adjusting the outputs of a classifier to new a priori probabilities: a simple procedure. Neural Computation 14: 21–41.",
    ),
    work(
        "Schwarz 1978",
        "Schwarz, G. 1978. Estimating the dimension of a model. Annals of Statistics 6: 461–464.",
    ),
    work(
        "Sharma et al. 2005",
        "Sharma, G., Wu, W. and Dalal, E. N. 2005. The CIEDE2000 color-difference formula: implementation notes, supplementary test data, and mathematical observations. Color Research and Application 30: 21–30.",
    ),
    work(
        "Varma and Simon 2006",
        "Varma, S. and Simon, R. 2006. Bias in error estimation when using cross-validation for model selection. BMC Bioinformatics 7: 91.",
    ),
    work(
        "Vickers and Elkin 2006",
        "Vickers, A. J. and Elkin, E. B. 2006. Decision curve analysis: a novel method for evaluating prediction models. Medical Decision Making 26: 565–574.",
    ),
    work(
        "Wilson 1927",
        "Wilson, E. B. 1927. Probable inference, the law of succession, and statistical inference. Journal of the American Statistical Association 22: 209–212.",
    ),
    work(
        "Zadrozny and Elkan 2002",
        "Zadrozny, B. and Elkan, C. 2002. Transforming classifier scores into accurate multiclass probability estimates. Proceedings of the 8th ACM SIGKDD Conference: 694–699.",
    ),
];

/// The works that `text` cites; "and" may be written as "&".
pub(super) fn cited_in(text: &str) -> Vec<Reference> {
    let text = text.replace(" & ", " and ");
    let cited = |work: &&Reference| text.contains(work.cited);
    WORKS.iter().filter(cited).copied().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_cited_is_listed() {
        let cited = cited_in("Limits followed Currie 1968, shares Wilson 1927.");
        let names: Vec<&str> = cited.iter().map(|w| w.cited).collect();
        assert_eq!(names, ["Currie 1968", "Wilson 1927"]);
    }

    #[test]
    fn the_list_is_in_order_and_each_entry_opens_with_its_first_author() {
        for pair in WORKS.windows(2) {
            let [a, b] = [pair[0], pair[1]].map(|w| w.cited.to_lowercase());
            assert!(a < b, "{a} before {b}");
        }
        for work in WORKS {
            let first = work.cited.split(' ').next().unwrap();
            assert!(work.full.starts_with(first), "{}", work.cited);
        }
    }
}
