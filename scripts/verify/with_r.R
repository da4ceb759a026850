# Prints what R finds for the cases of series.py: Rscript with_r.R CASES
# Only the stats package that comes with R. Lines as with_scipy.py writes them.

level <- 0.95
tail <- (1 - level) / 2

numbers <- function(text) as.numeric(strsplit(text, " ", fixed = TRUE)[[1]])

answer <- function(number, ...) {
  figures <- list(...)
  values <- vapply(figures, function(v) if (is.null(v)) "none" else sprintf("%.17g", v), "")
  cat("R", number, rbind(names(figures), values), sep = "\t")
  cat("\n")
}

# cor.test sums the lower tail and takes the upper one from 1, which leaves few digits
# of a small p. The test has two equal sides: a rising series is turned to fall.
kendall <- function(number, x, y) {
  n <- length(x)
  untied <- !anyDuplicated(x) && !anyDuplicated(y)
  if (length(unique(x)) == 1 || length(unique(y)) == 1 || (n == 2 && !untied)) {
    return(invisible()) # no tau, or 0/0 in the variance: R has no p here
  }
  tau <- cor(x, y, method = "kendall")
  test <- if (untied && n <= 50) {
    cor.test(x, if (tau > 0) -y else y, method = "kendall", exact = TRUE)
  } else {
    cor.test(x, y, method = "kendall", exact = FALSE, continuity = TRUE)
  }
  answer(number, p = test$p.value)
}

# k is the largest with P(U <= k-1) <= 0.025. An equality within rounding is one.
interval_rank <- function(m, n) sum(pwilcox(0:(m * n), m, n) <= tail * (1 + 1e-9))

shift <- function(number, before, after) {
  m <- length(before)
  n <- length(after)
  differences <- sort(as.vector(outer(after, before, "-")))
  k <- interval_rank(m, n)
  low <- if (k > 0) differences[k]
  high <- if (k > 0) differences[m * n + 1 - k]
  if (anyDuplicated(c(before, after))) {
    answer(number, shift = median(differences), low = low, high = high)
    return(invisible())
  }
  test <- wilcox.test(after, before, exact = TRUE, conf.int = TRUE, conf.level = level)
  # R gives the whole range where no k is, and k - 1 where P is 0.025 to the digit.
  if (k > 0 && abs(pwilcox(k - 1, m, n) - tail) > 1e-9) {
    low <- test$conf.int[1]
    high <- test$conf.int[2]
  }
  answer(number, shift = unname(test$estimate), low = low, high = high, p = test$p.value)
}

poisson <- function(number, count, level) {
  interval <- poisson.test(count, conf.level = level)$conf.int
  answer(number, low = interval[1], high = interval[2])
}

proportion <- function(number, part, whole, level) {
  exact <- binom.test(part, whole, conf.level = level)$conf.int
  answer(number, low = exact[1], high = exact[2])
}

chi_squared <- function(number, counts, weights) {
  test <- chisq.test(counts, p = weights / sum(weights))
  answer(number, statistic = unname(test$statistic), df = unname(test$parameter), p = test$p.value)
}

fisher <- function(number, a, n, b, m) {
  answer(number, p = fisher.test(matrix(c(a, n - a, b, m - b), nrow = 2))$p.value)
}

options(warn = -1) # small expected counts: known, and no matter here
cat("version", "R", paste(R.version$major, R.version$minor, sep = "."), sep = "\t")
cat("\n")
for (line in readLines(commandArgs(trailingOnly = TRUE)[1])) {
  fields <- strsplit(line, "\t", fixed = TRUE)[[1]]
  number <- fields[2]
  switch(fields[1],
    serial = kendall(number, numbers(fields[4]) / as.numeric(fields[3]), numbers(fields[5])),
    shift = shift(number, numbers(fields[3]), numbers(fields[4])),
    poisson = poisson(number, as.numeric(fields[3]), as.numeric(fields[4])),
    proportion = proportion(number, as.numeric(fields[3]), as.numeric(fields[4]), as.numeric(fields[5])),
    counts = chi_squared(number, numbers(fields[3]), numbers(fields[4])),
    fisher = do.call(fisher, c(number, as.list(as.numeric(fields[3:6])))),
    stop("with_r.R: no reference for cases of kind ", fields[1], "; add one, or take the kind out of series.py")
  )
}
