// Converts numbers between units with ucum-lhc; null where it refuses.
const { readFileSync } = require('fs');
const { UcumLhcUtils } = require('@lhncbc/ucum-lhc');

const ucum = UcumLhcUtils.getInstance();
const questions = JSON.parse(readFileSync(0));
process.stdout.write(JSON.stringify(questions.map((q) => {
  const answer = ucum.convertUnitTo(q.From, q.Value, q.To);
  return answer.status === 'succeeded' ? answer.toVal : null;
})));
