# How the drums of a lab roast: times, losses, and how far one goes with the other.
#
#     Rscript drums.R findings.csv          (from: evenctl export findings -o findings.csv)

arguments <- commandArgs(trailingOnly = TRUE)
if (length(arguments) != 1) {
  stop("give the file of findings: Rscript drums.R findings.csv")
}

findings <- read.csv(arguments[1], stringsAsFactors = FALSE)
findings <- findings[findings$roast != "", ]

# The values of one finding, by roast.
found <- function(name) {
  some <- findings[findings$finding == name, c("station", "roast", "value")]
  names(some)[3] <- name
  some
}
all <- unique(findings[, c("station", "roast")])
roasts <- merge(merge(all, found("total_time"), all.x = TRUE), found("loss_in_mass"), all.x = TRUE)

shown <- function(x) ifelse(is.na(x), "", sprintf("%.6g", x))

cat("station,roasts,mean_time_s,sd_time_s,mean_loss_percent,correlation\n")
for (station in sort(unique(roasts$station), method = "radix")) {
  drum <- roasts[roasts$station == station, ]
  both <- drum[!is.na(drum$total_time) & !is.na(drum$loss_in_mass), ]
  together <- if (nrow(both) > 2) cor(both$total_time, both$loss_in_mass) else NA
  spread <- if (sum(!is.na(drum$total_time)) > 1) sd(drum$total_time, na.rm = TRUE) else NA
  loss <- if (nrow(both) > 0) mean(both$loss_in_mass) else NA
  cat(paste(station, nrow(drum), shown(mean(drum$total_time, na.rm = TRUE)), shown(spread), shown(loss), shown(together), sep = ","), "\n", sep = "")
}
