# Reference values for tests/stats/test_ordinal.py and test_stratified_ranks.py, from R (MASS, ordinal, coin).
# The tests read the csv files; R isn't needed.
#
#   Rscript tests/reference/ordinal/make_reference.R      (from the project's folder; needs ordinal and coin)
#
# generated.csv:  fourteen data sets, small and lopsided; in 3, 7 and 11 the first technique has the best grade only.
# values.csv:     per slope and threshold: clm's estimate, standard error and profile limits, polr's estimate; in the
#                 separated sets the maximum of the likelihood penalised by half the log determinant of the expected
#                 information, found by optim with the information added up grade by grade from its definition.
# wine.csv, housing.csv: the published examples that ship with ordinal and MASS (housing as counts).
# strata.csv, strata_values.csv: coin's exact p-values of the stratified rank sum with van Elteren's weights.
# versions.txt:   what made them.
suppressMessages({library(MASS); library(ordinal); library(coin)})
RNGkind("Mersenne-Twister", "Inversion", "Rejection")
set.seed(20261127)
folder <- "tests/reference/ordinal"

penalised <- function(y, X) {
  K <- max(y) + 1; n <- length(y); p <- ncol(X)
  minus <- function(par) {
    theta <- cumsum(c(par[1], exp(par[seq_len(K - 2) + 1]))); beta <- par[(K - 1) + seq_len(p)]
    information <- matrix(0, K - 1 + p, K - 1 + p); value <- 0
    for (i in 1:n) {
      eta <- theta - sum(X[i, ] * beta); f <- c(0, dlogis(eta), 0); F <- c(0, plogis(eta), 1)
      value <- value + log(F[y[i] + 2] - F[y[i] + 1])
      for (k in 1:K) {
        d <- numeric(K - 1 + p)
        if (k < K) d[k] <- f[k + 1]
        if (k > 1) d[k - 1] <- d[k - 1] - f[k]
        d[(K - 1) + seq_len(p)] <- -(f[k + 1] - f[k]) * X[i, ]
        information <- information + outer(d, d) / (F[k + 1] - F[k])
      }
    }
    -value - determinant(information)$modulus[1] / 2
  }
  cut <- qlogis(cumsum(table(y))[1:(K - 1)] / n)
  par <- c(cut[1], log(diff(cut)), rep(0, p))
  for (turn in 1:6) par <- optim(par, minus, method = if (turn %% 2) "BFGS" else "Nelder-Mead",
                                 control = list(reltol = 1e-14, maxit = 4000))$par
  list(theta = cumsum(c(par[1], exp(par[seq_len(K - 2) + 1]))), beta = par[(K - 1) + seq_len(p)], value = -minus(par))
}

data <- values <- NULL
for (set in 1:14) {
  n <- c(22, 24, 31, 30, 36, 40, 31, 52, 60, 75, 26, 90, 120, 200)[set]
  grades <- c(3, 4, 4, 5, 3, 4, 3, 5, 4, 6, 4, 5, 4, 5)[set]
  first <- as.integer(seq_len(n) <= round(n * c(.3, .45, .2)[set %% 3 + 1]))
  round <- rbinom(n, 1, .4)
  quality <- round(rnorm(n), 2) + (set %% 2) * first
  latent <- 1.1 * first - .5 * round + .6 * quality + rlogis(n)
  grade <- as.integer(cut(latent, c(-Inf, quantile(latent, cumsum(rev(seq_len(grades)) / sum(1:grades))[-grades] * .8), Inf))) - 1
  if (set %in% c(3, 7, 11)) grade[first == 1] <- grades - 1
  d <- data.frame(set = set, grade, first, round, quality = round(quality, 2))
  names <- c("first", "round", "quality")
  if (set %in% c(3, 7, 11)) {
    found <- penalised(d$grade, as.matrix(d[, names]))
    values <- rbind(values, data.frame(set, name = c(names, paste0("cut", seq_along(found$theta))),
      estimate = c(found$beta, found$theta), error = NA, low = NA, high = NA, polr = NA, log_likelihood = found$value))
  } else {
    d$ordered <- factor(d$grade, ordered = TRUE)
    fit <- clm(ordered ~ first + round + quality, data = d, control = list(gradTol = 1e-10))
    limits <- suppressWarnings(confint(fit, type = "profile"))
    other <- polr(ordered ~ first + round + quality, d, Hess = TRUE, control = list(reltol = 1e-14, maxit = 1000))
    s <- coef(summary(fit)); cuts <- nrow(s) - 3
    values <- rbind(values, data.frame(set, name = c(names, paste0("cut", seq_len(cuts))),
      estimate = c(s[cuts + 1:3, 1], s[1:cuts, 1]), error = c(s[cuts + 1:3, 2], s[1:cuts, 2]),
      low = c(limits[names, 1], rep(NA, cuts)), high = c(limits[names, 2], rep(NA, cuts)),
      polr = c(coef(other), other$zeta), log_likelihood = as.numeric(logLik(fit))))
    d$ordered <- NULL
  }
  data <- rbind(data, d)
}
write.csv(data, file.path(folder, "generated.csv"), row.names = FALSE, quote = FALSE)
values[sapply(values, is.numeric)] <- lapply(values[sapply(values, is.numeric)], function(v) signif(v, 9))
write.csv(values, file.path(folder, "values.csv"), row.names = FALSE, quote = FALSE, na = "")

wine <- ordinal::wine
write.csv(data.frame(rating = as.integer(wine$rating), warm = as.integer(wine$temp == "warm"),
                     contact = as.integer(wine$contact == "yes"), judge = as.integer(wine$judge)),
          file.path(folder, "wine.csv"), row.names = FALSE, quote = FALSE)
h <- MASS::housing
write.csv(data.frame(sat = as.integer(h$Sat), infl = as.integer(h$Infl), type = h$Type, cont = as.integer(h$Cont),
                     count = h$Freq), file.path(folder, "housing.csv"), row.names = FALSE, quote = FALSE)

strata <- tested <- NULL
for (set in 1:12) {
  sizes <- list(c(7, 9), c(12, 19), c(5, 5, 8), c(10, 14, 6), c(3, 4, 5, 6), c(20, 25), c(9, 9, 9), c(31), c(8, 15),
                c(4, 4, 4, 4, 4), c(16, 11, 7), c(40, 22))[[set]]
  stratum <- rep(seq_along(sizes), sizes); n <- sum(sizes)
  first <- as.integer(runif(n) < c(.3, .45, .6)[set %% 3 + 1])
  first[match(seq_along(sizes), stratum)] <- 1L; first[n + 1 - match(seq_along(sizes), rev(stratum))] <- 0L
  grade <- pmin(3, rbinom(n, 5, .45 + .12 * first))
  common <- Reduce(`*`, unique(sizes + 1))
  score <- as.integer(round(ave(grade, stratum, FUN = function(v) 2 * rank(v)) * common / (sizes[stratum] + 1)))
  d <- data.frame(score, g = factor(first, levels = 1:0), b = factor(stratum))
  p <- sapply(c("two.sided", "greater", "less"), function(side) pvalue(independence_test(
    score ~ g | b, d, distribution = exact(algorithm = "shift"), alternative = side)))
  strata <- rbind(strata, data.frame(set, stratum, first, grade))
  tested <- rbind(tested, data.frame(set, two_sided = p[1], greater = p[2], less = p[3]))
}
tested[-1] <- lapply(tested[-1], signif, 10)
write.csv(strata, file.path(folder, "strata.csv"), row.names = FALSE, quote = FALSE)
write.csv(tested, file.path(folder, "strata_values.csv"), row.names = FALSE, quote = FALSE)
writeLines(c(R.version.string, paste(c("MASS", "ordinal", "coin"), sapply(c("MASS", "ordinal", "coin"),
  function(p) as.character(packageVersion(p)))), paste("made on", Sys.Date())), file.path(folder, "versions.txt"))
