package track_test

import (
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func assessment(f *cannularyv1.AssessmentFact) *logv1.Fact {
	return &logv1.Fact{Fact: &logv1.Fact_Assessment{Assessment: f}}
}

// examination is one of access F with nothing wrong, changed by the options.
func examination(opts ...func(*cannularyv1.AccessExamined)) *logv1.Fact {
	x := &cannularyv1.AccessExamined{Access: "F", Look: &cannularyv1.Look{Redness: cannularyv1.Finding_FINDING_ABSENT},
		Listen: &cannularyv1.Listen{Bruit: cannularyv1.Finding_FINDING_PRESENT},
		Feel:   &cannularyv1.Feel{Thrill: cannularyv1.Finding_FINDING_PRESENT}}
	for _, o := range opts {
		o(x)
	}
	return assessment(&cannularyv1.AssessmentFact{Fact: &cannularyv1.AssessmentFact_AccessExamined{AccessExamined: x}})
}
