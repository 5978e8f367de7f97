# Reference values for tests/stats/test_firth.py, from R and brglm2. The tests read the csv files; R isn't needed.
#
#   Rscript tests/reference/logistic/make_reference.R      (from the project's folder; Debian: r-cran-brglm2)
#
# generated.csv: twelve data sets, small, lopsided, three of them separated.
# values.csv:    per coefficient: Firth's estimate and standard error (brglm2, type AS_mean), the constant corrected
#                for prediction (glm with the slopes as an offset), maximum likelihood (glm; empty where separated).
# versions.txt:  what made them.
suppressMessages(library(brglm2))
RNGkind("Mersenne-Twister", "Inversion", "Rejection")
set.seed(20261125)
folder <- "tests/reference/logistic"
data <- values <- NULL
for (set in 1:12) {
  n <- c(24, 30, 31, 40, 52, 60, 75, 90, 120, 150, 200, 300)[set]
  first <- rbinom(n, 1, c(.3, .5, .2)[set %% 3 + 1])
  round <- rbinom(n, 1, .4)
  difficulty <- (50 + rbinom(n, 12, .4)) / 10
  quality <- round(rnorm(n), 2)
  if (set %% 2) quality <- quality + first
  stuck <- rbinom(n, 1, plogis(.4 + .8 * first - .5 * round + .7 * quality - .3 * (difficulty - 5.4)))
  if (set %in% c(2, 5, 8)) stuck[first == 1] <- 1
  d <- data.frame(set = set, stuck, first, round, difficulty, quality = round(quality, 2))
  formula <- stuck ~ first + round + difficulty + quality
  firth <- glm(formula, binomial, d, method = "brglmFit", type = "AS_mean", epsilon = 1e-12, maxit = 5000)
  slopes <- drop(as.matrix(d[, c("first", "round", "difficulty", "quality")]) %*% coef(firth)[-1])
  flic <- coef(glm(stuck ~ 1 + offset(slopes), binomial, d, epsilon = 1e-14, maxit = 100))
  ml <- if (set %in% c(2, 5, 8)) NULL else coef(summary(glm(formula, binomial, d, epsilon = 1e-14, maxit = 100)))
  values <- rbind(values, data.frame(
    set = set, name = c("constant", names(coef(firth))[-1]), firth = coef(firth),
    firth_error = sqrt(diag(vcov(firth))), prediction_constant = c(flic, NA, NA, NA, NA),
    ml = if (is.null(ml)) NA else ml[, 1], ml_error = if (is.null(ml)) NA else ml[, 2]))
  data <- rbind(data, d)
}
values[sapply(values, is.numeric)] <- lapply(values[sapply(values, is.numeric)], function(v) signif(v, 10))
write.csv(data, file.path(folder, "generated.csv"), row.names = FALSE, quote = FALSE)
write.csv(values, file.path(folder, "values.csv"), row.names = FALSE, quote = FALSE, na = "")
writeLines(c(R.version.string, paste("brglm2", packageVersion("brglm2")), paste("made on", Sys.Date())),
           file.path(folder, "versions.txt"))
