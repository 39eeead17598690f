"""The sources that the docstrings of `morpho.shape` and `morpho.inference` name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["REFERENCES", "Reference"]

_TITLE = "title from memory"
_ALL = "cited from memory"


@dataclass(frozen=True)
class Reference:
    """A source.

    Attributes
    ----------
    key : str
    kind : {'article', 'book', 'incollection'}
    authors : tuple of str
        Surname, then initials.
    year : int
    title : str
    fields : mapping of str to str
        Journal, volume, pages and the like, as BibTeX names them.
    module : str
        Module whose docstring names it, below `morpho`.
    memory : str
        What of it was written down from memory; blank where nothing was.
    """

    key: str
    kind: str
    authors: tuple[str, ...]
    year: int
    title: str
    fields: Mapping[str, str]
    module: str
    memory: str = ""

    @property
    def label(self) -> str:
        """Authors and year as they stand in a text."""
        names = [author.split(",")[0] for author in self.authors]
        shown = names[0] if len(names) == 1 else f"{names[0]} et al."
        if len(names) == 2:
            shown = f"{names[0]} & {names[1]}"
        return f"{shown} {self.year}"


def _article(
    key: str, authors: str, title: str, where: str, module: str, memory: str = ""
) -> Reference:
    """Article whose `where` is 'Journal volume, pages'."""
    place, pages = where.rsplit(", ", 1)
    journal, volume = place.rsplit(" ", 1)
    fields = {"journal": journal, "volume": volume}
    fields["number" if pages.startswith("article") else "pages"] = pages
    return Reference(key, "article", tuple(authors.split("; ")), int(key[-4:]), title, fields,
                     module, memory)  # fmt: skip


def _book(
    key: str, authors: str, title: str, module: str, memory: str = "", edition: str = "",
    kind: str = "book", **fields: str,
) -> Reference:  # fmt: skip
    more = {"edition": edition} if edition else {}
    return Reference(key, kind, tuple(authors.split("; ")), int(key[-4:]), title, more | fields,
                     module, memory)  # fmt: skip


_ALL_OF_THEM = (
    # superimposition
    _article("gower1975", "Gower, J. C.", "Generalized Procrustes analysis",
             "Psychometrika 40, 33-51", "shape.superimposition"),
    _article("rohlf1990", "Rohlf, F. J.; Slice, D.",
             "Extensions of the Procrustes method for the optimal superimposition of landmarks",
             "Systematic Zoology 39, 40-59", "shape.superimposition"),
    _article("goodall1991", "Goodall, C.",
             "Procrustes methods in the statistical analysis of shape",
             "Journal of the Royal Statistical Society B 53, 285-339", "shape.superimposition"),
    _book("dryden2016", "Dryden, I. L.; Mardia, K. V.", "Statistical Shape Analysis",
          "shape.superimposition", edition="2nd"),
    _article("kabsch1976", "Kabsch, W.",
             "A solution for the best rotation to relate two sets of vectors",
             "Acta Crystallographica A32, 922-923", "shape.replicates", _TITLE),
    # missing landmarks
    _article("gunz2009",
             "Gunz, P.; Mitteroecker, P.; Neubauer, S.; Weber, G. W.; Bookstein, F. L.",
             "Principles for the virtual reconstruction of hominin crania",
             "Journal of Human Evolution 57, 48-62", "shape.estimation"),
    _article("hoerl1970", "Hoerl, A. E.; Kennard, R. W.",
             "Ridge regression: biased estimation for nonorthogonal problems",
             "Technometrics 12, 55-67", "shape.ridge", _TITLE),
    _article("golub1979", "Golub, G. H.; Heath, M.; Wahba, G.",
             "Generalized cross-validation as a method for choosing a good ridge parameter",
             "Technometrics 21, 215-223", "shape.ridge", _TITLE),
    # semilandmarks
    _article("bookstein1997", "Bookstein, F. L.",
             "Landmark methods for forms without landmarks: morphometrics of group differences "
             "in outline shape",
             "Medical Image Analysis 1, 225-243", "shape.sliding"),
    _book("gunz2005", "Gunz, P.; Mitteroecker, P.; Bookstein, F. L.",
          "Semilandmarks in three dimensions", "shape.sliding", kind="incollection",
          booktitle="Modern Morphometrics in Physical Anthropology", pages="73-98"),
    _article("gunz2013", "Gunz, P.; Mitteroecker, P.",
             "Semilandmarks: a method for quantifying curves and surfaces",
             "Hystrix 24, 103-109", "shape.sliding"),
    _article("bookstein1989", "Bookstein, F. L.",
             "Principal warps: thin-plate splines and the decomposition of deformations",
             "IEEE Transactions on Pattern Analysis and Machine Intelligence 11, 567-585",
             "shape.thin_plate"),
    # symmetry and distortion
    _article("mardia2000", "Mardia, K. V.; Bookstein, F. L.; Moreton, I. J.",
             "Statistical assessment of bilateral symmetry of shapes",
             "Biometrika 87, 285-300", "shape.symmetry"),
    _article("klingenberg2002", "Klingenberg, C. P.; Barluenga, M.; Meyer, A.",
             "Shape analysis of symmetric structures: quantifying variation among individuals "
             "and asymmetry",
             "Evolution 56, 1909-1920", "shape.symmetry"),
    _article("klingenberg1998", "Klingenberg, C. P.; McIntyre, G. S.",
             "Geometric morphometrics of developmental instability",
             "Evolution 52, 1363-1375", "inference.asymmetry"),
    _book("zollikofer2005", "Zollikofer, C. P. E.; Ponce de Leon, M. S.",
          "Virtual Reconstruction", "shape.distortion", _ALL),
    _article("ghosh2010", "Ghosh, D.; Amenta, N.; Kazhdan, M.",
             "Closed-form blending of local symmetries",
             "Computer Graphics Forum 29, 1681-1688", "shape.distortion", _ALL),
    # screening and digitising error
    _article("siegel1982", "Siegel, A. F.; Benson, R. H.",
             "A robust comparison of biological shapes",
             "Biometrics 38, 341-350", "shape.resistant", _ALL),
    _article("beaton1974", "Beaton, A. E.; Tukey, J. W.",
             "The fitting of power series, meaning polynomials, illustrated on "
             "band-spectroscopic data",
             "Technometrics 16, 147-185", "shape.resistant", _ALL),
    _article("kuhn1955", "Kuhn, H. W.", "The Hungarian method for the assignment problem",
             "Naval Research Logistics Quarterly 2, 83-97", "inference.screening", _TITLE),
    _article("bailey1990", "Bailey, R. C.; Byrnes, J.",
             "A new, old method for assessing measurement error in both univariate and "
             "multivariate morphometric studies",
             "Systematic Zoology 39, 124-130", "inference.intraclass"),
    _article("fruciano2016", "Fruciano, C.", "Measurement error in geometric morphometrics",
             "Development Genes and Evolution 226, 139-158", "inference.intraclass"),
    # number of axes
    _article("horn1965", "Horn, J. L.",
             "A rationale and test for the number of factors in factor analysis",
             "Psychometrika 30, 179-185", "inference.ordination", _TITLE),
    _article("buja1992", "Buja, A.; Eyuboglu, N.", "Remarks on parallel analysis",
             "Multivariate Behavioral Research 27, 509-540", "inference.ordination", _TITLE),
    _article("frontier1976", "Frontier, S.",
             "Etude de la decroissance des valeurs propres dans une analyse en composantes "
             "principales: comparaison avec le modele du baton brise",
             "Journal of Experimental Marine Biology and Ecology 25, 67-75",
             "inference.ordination", _TITLE),
    # linear models and permutation
    _article("freedman1983", "Freedman, D.; Lane, D.",
             "A nonstochastic interpretation of reported significance levels",
             "Journal of Business and Economic Statistics 1, 292-298",
             "inference.linear_model", _TITLE),
    _article("anderson2001", "Anderson, M. J.",
             "A new method for non-parametric multivariate analysis of variance",
             "Austral Ecology 26, 32-46", "inference.linear_model", _TITLE),
    _article("collyer2015", "Collyer, M. L.; Sekora, D. J.; Adams, D. C.",
             "A method for analysis of phenotypic change for phenotypes described by "
             "high-dimensional data",
             "Heredity 115, 357-365", "inference.linear_model", _TITLE),
    _article("phipson2010", "Phipson, B.; Smyth, G. K.",
             "Permutation p-values should never be zero: calculating exact p-values when "
             "permutations are randomly drawn",
             "Statistical Applications in Genetics and Molecular Biology 9, article 39",
             "inference.permutation", _TITLE),
    _article("klingenberg2016", "Klingenberg, C. P.",
             "Size, shape, and form: concepts of allometry in geometric morphometrics",
             "Development Genes and Evolution 226, 113-137", "inference.allometry", _TITLE),
    _article("drake2008", "Drake, A. G.; Klingenberg, C. P.",
             "The pace of morphological change: historical transformation of skull shape in "
             "St Bernard dogs",
             "Proceedings of the Royal Society B 275, 71-76", "inference.allometry", _TITLE),
    # groups and discriminants
    _book("mardia1979", "Mardia, K. V.; Kent, J. T.; Bibby, J. M.", "Multivariate Analysis",
          "inference.groups"),
    _book("morrison1976", "Morrison, D. F.", "Multivariate Statistical Methods",
          "inference.groups", edition="2nd"),
    _article("holm1979", "Holm, S.",
             "A simple sequentially rejective multiple test procedure",
             "Scandinavian Journal of Statistics 6, 65-70", "inference.groups", _TITLE),
    _article("chung2013", "Chung, E.; Romano, J. P.",
             "Exact and asymptotically robust permutation tests",
             "Annals of Statistics 41, 484-507", "inference.groups", _ALL),
    _article("ledoit2004", "Ledoit, O.; Wolf, M.",
             "A well-conditioned estimator for large-dimensional covariance matrices",
             "Journal of Multivariate Analysis 88, 365-411", "inference.classifier", _TITLE),
    # membership
    _book("mclachlan1992", "McLachlan, G. J.",
          "Discriminant Analysis and Statistical Pattern Recognition", "inference.distances",
          _ALL),
    _book("anderson2003", "Anderson, T. W.",
          "An Introduction to Multivariate Statistical Analysis", "inference.distances", _ALL,
          edition="3rd"),
    _book("vovk2005", "Vovk, V.; Gammerman, A.; Shafer, G.",
          "Algorithmic Learning in a Random World", "inference.membership"),
    _article("box1954", "Box, G. E. P.",
             "Some theorems on quadratic forms applied in the study of analysis of variance "
             "problems, I: effect of inequality of variance in the one-way classification",
             "Annals of Mathematical Statistics 25, 290-302", "inference.distances", _TITLE),
    _article("srivastava2005", "Srivastava, M. S.",
             "Some tests concerning the covariance matrix in high dimensional data",
             "Journal of the Japan Statistical Society 35, 251-272", "inference.distances",
             _TITLE),
    _article("berger1982", "Berger, R. L.",
             "Multiparameter hypothesis testing and acceptance sampling",
             "Technometrics 24, 295-300", "inference.verdict", _TITLE),
    _article("clopper1934", "Clopper, C. J.; Pearson, E. S.",
             "The use of confidence or fiducial limits illustrated in the case of the binomial",
             "Biometrika 26, 404-413", "inference.calibration", _TITLE),
    _book("cochran1977", "Cochran, W. G.", "Sampling Techniques", "inference.adequacy", _ALL,
          edition="3rd"),
    # where a query differs
    _book("chapman1990", "Chapman, R. E.", "Conventional Procrustes approaches",
          "inference.displacement", _ALL, kind="incollection",
          booktitle="Proceedings of the Michigan Morphometrics Workshop", pages="251-267"),
    _article("benjamini1995", "Benjamini, Y.; Hochberg, Y.",
             "Controlling the false discovery rate: a practical and powerful approach to "
             "multiple testing",
             "Journal of the Royal Statistical Society B 57, 289-300", "inference.taxon_ranges",
             _TITLE),
    _article("benjamini2001", "Benjamini, Y.; Yekutieli, D.",
             "The control of the false discovery rate in multiple testing under dependency",
             "Annals of Statistics 29, 1165-1188", "inference.taxon_ranges", _TITLE),
    _book("sokal1995", "Sokal, R. R.; Rohlf, F. J.", "Biometry", "inference.taxon_ranges", _ALL,
          edition="3rd"),
    _book("weisberg2005", "Weisberg, S.", "Applied Linear Regression", "inference.taxon_ranges",
          _ALL, edition="3rd"),
    _article("hedges1981", "Hedges, L. V.",
             "Distribution theory for Glass's estimator of effect size and related estimators",
             "Journal of Educational Statistics 6, 107-128", "inference.taxon_ranges", _TITLE),
    _article("huxley1924", "Huxley, J. S.",
             "Constant differential growth-ratios and their significance",
             "Nature 114, 895-896", "inference.measurement_ranking", _TITLE),
    _article("barequet1995", "Barequet, G.; Sharir, M.",
             "Filling gaps in the boundary of a polyhedron",
             "Computer Aided Geometric Design 12, 207-229", "shape.triangulation"),
    # individuals
    _article("vovk2020", "Vovk, V.; Wang, R.", "Combining p-values via averaging",
             "Biometrika 107, 791-808", "inference.conclusion", _ALL),
    _article("mosimann1970", "Mosimann, J. E.",
             "Size allometry: size and shape variables with characterizations of the lognormal "
             "and generalized gamma distributions",
             "Journal of the American Statistical Association 65, 930-945",
             "inference.proportions", _TITLE),
)  # fmt: skip

REFERENCES: dict[str, Reference] = {source.key: source for source in _ALL_OF_THEM}
