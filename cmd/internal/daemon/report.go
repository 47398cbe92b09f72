package daemon

import (
	"context"
	"fmt"
	"io"

	"holdfast/analysis/reception"
	"holdfast/collector/source/dvb"
	"holdfast/configs"
)

// reportedChannels are enough to see a driver locked, unlocked and near its limits.
const reportedChannels = 4

// ReportTuners writes what the tuners of this machine say, without anything of the home;
// see dvb.Report. A few channels of the config, if it has any, are tuned to.
func ReportTuners(ctx context.Context, w io.Writer, c configs.Config) error {
	var chs []reception.Channel
	if len(c.Channels) > 0 {
		s, err := setupFrom(c)
		if err != nil {
			return err
		}
		for _, ch := range s.channels {
			if len(chs) == 0 || chs[len(chs)-1].FrequencyHz != ch.FrequencyHz { // layers share a frequency
				chs = append(chs, ch)
			}
		}
		chs = chs[:min(len(chs), reportedChannels)]
	}
	if err := dvb.Report(ctx, w, dvb.ReportOptions{Channels: chs}); err != nil {
		return fmt.Errorf("report on tuners: %w", err)
	}
	return nil
}
